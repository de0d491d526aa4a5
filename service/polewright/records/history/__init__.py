"""What was measured before: every run, kept in a database that survives crash and power cut."""
