"""Alembic's environment for the history; shipped with the package."""
