"""The service: a session over HTTP, and the page that shows it."""
