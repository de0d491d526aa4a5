"""From the configuration and the connected rig to a planned sweep."""
