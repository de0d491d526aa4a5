"""The simulated camera: rendered frames, its cooler, its Alpaca device."""
