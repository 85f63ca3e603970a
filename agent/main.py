"""Runs at every start of the board. Everything stands in the agent, so that this file never has to change."""

try:
    from benchworthy_agent import start

    start.run()
except Exception as error:
    # A board without its agent still has to reach the prompt, where the bench installs it.
    print("main.py:", type(error).__name__, error)
