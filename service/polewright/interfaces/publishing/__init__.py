"""The state of the alignment as Alpaca devices, for any program of the observatory."""
