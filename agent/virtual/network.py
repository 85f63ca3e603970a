"""A stand-in for MicroPython's `network`: the radio of a virtual board joins whatever it is told to join."""

import machine
import time

STA_IF = 0
AP_IF = 1
STAT_IDLE = 0
STAT_GOT_IP = 3

_JOIN_US = 1200000
_DEAF = -200


class WLAN:
    IF_STA = STA_IF
    IF_AP = AP_IF

    def __init__(self, interface=STA_IF):
        if interface != STA_IF:
            raise ValueError("only the station interface is there")

    def active(self, on=None):
        if on is None:
            return _state[0]
        _state[0] = bool(on)
        if not on:
            _state[1] = None

    def connect(self, ssid, key=None, **more):
        if not _state[0]:
            raise OSError(1)
        # A radio that hears nobody joins nobody.
        _state[1] = time.elapsed_us() + _JOIN_US if machine.radio_dbm() > _DEAF else None

    def disconnect(self):
        _state[1] = None

    def isconnected(self):
        time.advance_us(10)
        return _state[1] is not None and time.elapsed_us() >= _state[1]

    def status(self, what=None):
        if what == "rssi":
            time.advance_us(100)
            return machine.radio_dbm()
        return STAT_GOT_IP if self.isconnected() else STAT_IDLE

    def ifconfig(self):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")

    def config(self, *names, **values):
        return None


_state = [False, None]  # on, and the moment from which it is connected
