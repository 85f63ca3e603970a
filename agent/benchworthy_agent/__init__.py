"""The agent: measures a board, signs what it read, and sends it. It never judges."""

__version__ = "1.0.0"
