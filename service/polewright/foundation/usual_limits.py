"""Where a telescope may point unless its owner says otherwise: defaults of the configuration.

The planner has them, too, for whoever calls it without a configuration.
"""

SUN_AVOID_DEG = 30.0
"""Angle kept from the Sun (common practice, no source)."""
LOWEST_POINT_DEG = 20.0
"""Altitude: lower, refraction is uncertain and stars are few (common practice, no source)."""
MOUNT_ALTITUDE_MIN_DEG = 5.0
"""Altitude: lower, tube and cables may meet what stands around the mount (own choice)."""
MERIDIAN_BUFFER_DEG = 5.0
"""Hour angle kept from both meridians (common practice, no source)."""
POINTING_MARGIN_DEG = 1.0
"""How far the pointing may be off: the axis is not aligned yet (own choice)."""
