"""A report worth keeping: one HTML file that needs nothing else, and schemas for the JSON."""
