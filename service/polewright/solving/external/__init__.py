"""Solvers that are programs of their own."""
