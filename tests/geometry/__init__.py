"""The geometry room: recovery, signs in both hemispheres, honest uncertainty."""
