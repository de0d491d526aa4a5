"""How good is good enough: what an axis error costs in pixels of trail, and the reverse. Pure."""
