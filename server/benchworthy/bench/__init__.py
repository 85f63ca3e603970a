"""The bench: drives one board over its serial port, posts what board, bench and operator say.

portlist   which ports there are, and what is new among them
transport  the raw REPL over a serial port; the only module that knows mpremote (watch, holders: its bounds, who has a port)
frames     tokens and heartbeats among whatever else a board prints
probe      what the bench sees for itself: module id, stand-in, firmware, files, a mark in RAM
echo       text there and back, and stamps of two clocks
snippets   boards too small for an agent; kinds has one name for each thing to ask of either kind
probing    what is at a port, each looked at in a process of its own; choosing: which port the board is at
reach      the board under test, whatever its port is called now
agent_calls  one bounded call into the agent for each step of a run
installing  the agent onto a board
spool      what waits for the service, on disk; tickets: runs in advance; offline: a run away from the service;
           surviving: a run that the service left; delivery
client     the service's HTTP interface
people     what is asked of the person at the bench; table: what is fitted, pulled and switched
run        an open run: what was handed in, and how it reaches the service
host_tests  tests that the bench carries out; asking: tests that a person answers
evidence   the bench's own report
phases     the body of a run; session: one run of one board, from the label to the last answer
"""
