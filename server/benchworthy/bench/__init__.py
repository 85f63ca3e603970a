"""The bench: drives one board over its serial port, posts what board, bench and operator say.

transport  the raw REPL over a serial port; the only module that knows mpremote
frames     tokens and heartbeats among whatever else a board prints
probe      what the bench sees for itself: module id, stand-in, firmware, files, echo, ports
agent_calls  one bounded call into the agent for each step
client     the service's HTTP interface
people     what is asked of the person at the bench
evidence   the bench's own report
session    one run of one board, step by step
"""
