"""The simulated rig: an Alpaca mount, camera and more, under a real catalogue sky."""
