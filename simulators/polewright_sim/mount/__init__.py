"""The simulated mount: its mechanics, its electronics, its adjusters, its Alpaca device."""
