"""The connected rig of one run, and what it learns during the run."""
