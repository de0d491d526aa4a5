"""The simulated sky: stars, background, what passes by, how it falls on the sensor."""
