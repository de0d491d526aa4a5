"""Star catalogues: the one that is shipped, and add-on catalogues."""
