"""What a run tells and leaves behind: events, results, the history of all runs."""
