"""What one entry of a board's history is, and the hash chain that holds the entries together."""
