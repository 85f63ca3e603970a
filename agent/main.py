"""Runs at every start of the board: makes the outputs safe, counts the start, and leaves the board to the bench."""


def _make_safe():
    from benchworthy_agent.boards import rp2

    # The Tarn's motor enables: low before anything else happens.
    rp2.low((12, 15))


def _count():
    from benchworthy_agent import state

    state.load("state.json").next_boot()


for _step in (_make_safe, _count):
    try:
        _step()
    except Exception as _error:
        # A start that raises would keep the bench from mending the board over this very line.
        print("main.py:", type(_error).__name__, _error)
