"""Benchworthy: is this board fit to lend, on what evidence, until when?

The packages in the order in which the data passes them; each may import only what stands before it:

errors      the error tree
reports     what a report and a run are: identity, authors, readings, the token
designs     the sheet of a board design, and what follows from it
judging     verdicts: decision rule and uncertainty
history     one entry of a board's history; the ledger's hash chain
desk        fitness, certify, check in, lend, hold: one pure decision per file
fleet       statistics over history
ports       what the core needs from outside
pipeline    the path of a report
desk_actions  the acts of the desk; beside it run_actions, certificate_actions, fixture_actions and house_actions
fleet_actions  what is asked of many boards at once
virtual     boards that are circuits
intake      bytes to report; the MQTT listener; broker files; the embedded broker
bench       the serial bench
storage     tables, migrations, units of work
keys        site secret, Ed25519, JWKS
documents   certificates, labels, loan slips as PDF
api, pages  REST blueprints, server-rendered pages
web         the application factory
wiring      settings to objects
keeping     backup and restore; the audit of the ledger
serve       the supervisor and its children
cli         the commands
"""

__version__ = "0.1.0"
RELEASED = "2026-11-25"
