"""The page's files; a package only so that they are installed with the rest."""
