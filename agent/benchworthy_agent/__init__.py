"""The agent: measures a board, signs what it read, and sends it. It never judges."""

__version__ = "1.1.0"

own_hash = None  # of the agent's files, once fingerprint.py has read them
_seq = 0


def next_seq():
    """The next number of a report. One count for bench and field: a number said twice in one boot would look forged."""
    global _seq
    _seq += 1
    return _seq
