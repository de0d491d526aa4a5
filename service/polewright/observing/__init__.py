"""The orchestrator: joins devices, solver and geometry into a measurement."""
