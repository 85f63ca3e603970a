"""Boards too small for an agent: the bench carries out their tests by short pieces of code over the raw REPL.

wire       code to the board and numbers back, both checked, since bytes get lost on the way
code       one short piece of code for each procedure, for MicroPython 1.9 and the firmware's module `beck`
shows      the same for what a person looks at or listens to
measuring  a line of the plan to a reading; the host counts, hashes and checks
seen       module id, firmware, and the files read back whole
talking    echo and the board's clock, in exchanges that wait for each other
"""

from benchworthy.bench.snippets.measuring import begin, reading, show
from benchworthy.bench.snippets.seen import files, identity
from benchworthy.bench.snippets.talking import clock, echo

__all__ = ["begin", "clock", "echo", "files", "identity", "reading", "show"]
