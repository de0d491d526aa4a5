"""The Alpaca server of the rig, its small devices, and the control of a rehearsal."""
