"""Builds a rig's configuration: asks what no device can tell, and changes nothing else."""
