"""Solvers: from a star list or frame to an attitude on the sky."""
