"""The rules of the desk: one pure decision per file."""
