"""The Alpaca client: devices over HTTP. Knows no geometry."""
