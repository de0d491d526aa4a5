"""The sky above a site: frames, refraction, sidereal time, pole targets, Sun and Moon. Pure."""
