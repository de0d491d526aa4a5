"""The solver that is shipped."""
