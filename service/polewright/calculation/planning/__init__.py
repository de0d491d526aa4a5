"""Which patch of sky to sweep: horizon, limits, predicted uncertainty. Pure."""
