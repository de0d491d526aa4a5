"""The handbook: one Markdown file a page, for the terminal and for the service."""
