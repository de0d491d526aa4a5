"""What is spoken to: Alpaca devices, and motors that turn the adjusters."""
