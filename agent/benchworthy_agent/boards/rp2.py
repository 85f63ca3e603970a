"""Boards with an RP2040 or RP2350 module. The only file of the agent that imports `machine`."""

import binascii
import os
import sys

import machine

_PLUG_ADDRESS = 0x57
_PLUG_CHARACTERS = 16
_PWM_HERTZ = 20000
_PULLS = {"up": machine.Pin.PULL_UP, "down": machine.Pin.PULL_DOWN, None: None}


def low(pins):
    """Drive pins, given by number, low: for enables, before anything is known of the board."""
    for pin in pins:
        machine.Pin(pin, machine.Pin.OUT, value=0)


class Board:
    """The ports of one design.

    `ports` maps a name to [pin number, "out" | "in" | "adc" | "pwm", level at rest or None].
    """

    def __init__(self, ports):
        self._ports = ports
        self._pins = {}
        self._converters = {}
        self._pwm = {}

    def out(self, port, level):
        """Drive a port to 0 or 1."""
        self._release(port)
        self._pins[port] = machine.Pin(self._number(port), machine.Pin.OUT, value=level)

    def pull(self, port, direction):
        """Make a port an input with the pull "up", "down" or None."""
        self._release(port)
        self._pins[port] = machine.Pin(self._number(port), machine.Pin.IN, _PULLS[direction])

    def level(self, port):
        """What a port reads, 0 or 1, in the mode it was put in; an untouched one becomes a plain input."""
        if port not in self._pins:
            self.pull(port, None)
        return self._pins[port].value()

    def codes(self, port, n):
        """`n` raw 12-bit conversions, one after the other."""
        if port not in self._converters:
            self._converters[port] = machine.ADC(machine.Pin(self._number(port)))
        read = self._converters[port].read_u16
        for _ in range(n):
            yield read() >> 4

    def duty(self, port, permille):
        """Switch a port fast, high for `permille` thousandths of the time."""
        if port not in self._pwm:
            self._pwm[port] = machine.PWM(machine.Pin(self._number(port)))
            self._pwm[port].freq(_PWM_HERTZ)
        self._pwm[port].duty_u16(65535 * permille // 1000)

    def rest(self):
        """Bring every port to its state at rest, in the order of names: enables go low before inputs change."""
        for port in sorted(self._ports):
            level = self._ports[port][2]
            if level is not None:
                self.out(port, level)
            elif self._ports[port][1] != "adc":
                self.pull(port, None)

    def module_id(self):
        """The module's own number, in hex."""
        return binascii.hexlify(machine.unique_id()).decode()

    def plug_serial(self):
        """The serial number in the memory of the test plug, None when no plug answers."""
        sda, scl = self._number("sda"), self._number("scl")
        try:
            # Pins 2 and 3 belong to bus 1, pins 4 and 5 to bus 0, and so on in turn.
            bus = machine.I2C(sda // 2 % 2, scl=machine.Pin(scl), sda=machine.Pin(sda), freq=100000)
            octets = bus.readfrom_mem(_PLUG_ADDRESS, 0, _PLUG_CHARACTERS)
        except OSError:
            octets = b""
        self.pull("sda", None)
        self.pull("scl", None)
        text = "".join([chr(octet) for octet in octets if 0x20 < octet < 0x7F])
        return text or None

    def stand_in(self):
        """Whether this is a virtual board."""
        return getattr(machine, "STAND_IN", False)

    def firmware(self):
        """What runs on the module, as one text of at most 64 characters."""
        name = os.uname().machine + "; " if hasattr(os, "uname") else ""
        return (name + sys.version)[:64]

    def _number(self, port):
        return self._ports[port][0]

    def _release(self, port):
        if port in self._pwm:
            self._pwm.pop(port).deinit()
