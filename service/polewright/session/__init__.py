"""A whole night's alignment: check, plan, sweep, adjust, sweep again, until it is good enough."""
