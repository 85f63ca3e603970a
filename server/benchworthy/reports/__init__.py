"""What a report and a run are. Standard library only."""
