"""The sweep: its loop, one visit to a point, from solved points to the axis."""
