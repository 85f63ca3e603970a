"""A broker inside the service, for one bench and for trying things out ("bench mode"): amqtt with the rules of the access list.

quiet       a log that a chattering client cannot fill
streams     bounded reading and writing of one connection
messages    what is on its way to a client and not yet acknowledged
broker      who may connect, whose session is whose, what may go where

It needs the extra `[broker]`, which nothing outside this package imports. Anything shared belongs on mosquitto: sessions and
retained messages live in memory here, and end with the process.
"""
