"""Carries out calls as a board does at a bench: one line of program text on stdin for each, answered in print.

A line is first made into a call, as the raw REPL does it; `=OK=` or `=ERR= text` ends each.
"""

import sys

while True:
    line = sys.stdin.readline()  # once in memory, as in the raw REPL
    if not line:
        break
    try:
        exec(line)
        print("=OK=")
    except Exception as error:  # noqa: BLE001 - whatever a call raises is told to the bench
        print("=ERR=", type(error).__name__, error)
    line = None
