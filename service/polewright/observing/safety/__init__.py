"""What keeps a run from doing harm: guards, stopping, watchdog, lock, retries."""
