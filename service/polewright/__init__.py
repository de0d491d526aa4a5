"""Polewright: gets an equatorial mount's polar axis onto the celestial pole."""

import logging

__version__ = "0.1.0"

# Who wants the log sets it up (`interfaces.logs`); nobody else finds raw lines in the terminal.
logging.getLogger(__name__).addHandler(logging.NullHandler())
