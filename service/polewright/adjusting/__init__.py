"""From live frames to advice on which adjuster to turn. Pure."""
