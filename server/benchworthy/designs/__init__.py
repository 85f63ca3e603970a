"""The sheet of a board design at one revision, and everything that follows from it."""
