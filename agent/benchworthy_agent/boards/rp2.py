"""Boards with an RP2040 or RP2350 module: pins and converters. What a plan needs more rarely stands in the rp2_ files."""

import time

import machine

from benchworthy_agent import modules
from benchworthy_agent.boards import Silent

_PULLS = {"up": machine.Pin.PULL_UP, "down": machine.Pin.PULL_DOWN, None: None}
# What is brought into memory when it is first asked for: a file rp2_..., then the functions in it.
_ELSEWHERE = (
    "bus plug_serial scan memory_errors",
    "wires clear_bus rise",
    "drive arm disarm",
    "watch burst_until window",
    "pwm duty widths period",
    "system memory_free boots flash module_id firmware",
    "key presses",
    "radio dbm",
)


def low(pins):
    """Drive pins, given by number, low: for enables, before anything is known of the board."""
    for pin in pins:
        machine.Pin(pin, machine.Pin.OUT, value=0)


def tally(take, n, every_us=0):
    """[n, sum, sum of squares, least, greatest] of what n calls of take() give, one every so many microseconds."""
    total = squares = 0
    least = greatest = None
    due = time.ticks_us()
    for _ in range(n):
        left = time.ticks_diff(due, time.ticks_us())
        if left > 0:
            time.sleep_us(left)
        due = time.ticks_add(due, every_us)
        number = take()
        total += number
        squares += number * number
        if least is None or number < least:
            least = number
        if greatest is None or number > greatest:
            greatest = number
    return [n, total, squares, least, greatest]


class Board:
    """The ports of one design, as procedures know them.

    `ports` maps a name to [pin number, "out" | "in" | "adc" | "die" | "pwm", level at rest or None], or is what
    rp2_ports.packed() makes of that. `boot` is the boot counter when a run began, `net` what the radio may use: {"wifi"}.
    """

    def __init__(self, ports, boot=0, net=None):
        if not isinstance(ports, str):
            ports = modules.load("boards.rp2_ports").packed(ports)
        self._ports = ports
        self._converters = {}
        self._pulled = []  # converter ports with a pull
        self.pwm = {}
        self.pulse = None  # of rp2_drive, while motor enables may be high
        self.boot = boot
        self.net = net or {}

    def __getattr__(self, name):
        for line in _ELSEWHERE:
            file, *names = line.split()
            if name in names:
                function = getattr(modules.load("boards.rp2_" + file), name)
                return lambda *given: function(self, *given)
        raise AttributeError(name)

    def number(self, port):
        """The number of a port's pin."""
        return int(self._of(port)[0])

    def _of(self, port):
        """[number, what it does, level at rest or "None"] of a port, as texts."""
        start = self._ports.find("|" + port + "=")
        if start < 0:
            raise KeyError(port)
        start += len(port) + 2
        return self._ports[start : self._ports.find("|", start)].split(" ")

    def pin(self, port):
        """The pin of a port in the mode that it is in."""
        return machine.Pin(self.number(port))

    def out(self, port, level):
        """Drive a port to 0 or 1."""
        self._release(port)
        if level and self.dropped():
            raise Silent("the pulse was ended by its timer")
        machine.Pin(self.number(port), machine.Pin.OUT, value=level)

    def pull(self, port, direction):
        """Make a port an input with the pull "up", "down" or None; a converter port can still be read."""
        self._release(port)
        if self._of(port)[1] == "adc":
            self.converter(port)  # first, because opening a converter takes its pin's pulls away
            self._pulled.append(port)
        machine.Pin(self.number(port), machine.Pin.IN, _PULLS[direction])

    def level(self, port):
        """What a port reads, 0 or 1."""
        return self.pin(port).value()

    def levels(self, port, n, every_us=0):
        """The tally of n levels."""
        return tally(self.pin(port).value, n, every_us)

    def converter(self, port):
        """The converter of a port."""
        if port not in self._converters:
            die = self._of(port)[1] == "die"
            self._converters[port] = machine.ADC(4 if die else self.pin(port))  # the die is channel 4
            # Until now the pin had its pull-down of a reset, and the header's 10 nF have followed that.
            time.sleep_ms(1)
        return self._converters[port]

    def burst(self, port, n, every_us=0):
        """The tally of n raw 12-bit conversions; one before them, with the charge of the last channel, is thrown away."""
        read = self.converter(port).read_u16
        read()
        return tally(lambda: read() >> 4, n, every_us)

    def dropped(self):
        """Whether the timer ended the motor pulse in hand."""
        return self.pulse is not None and self.pulse.dropped

    def rest(self):
        """Bring every port to its state at rest, in the order of names: enables go low before inputs change."""
        end = self._ports.find("=")
        start = 1
        while end > 0:
            port = self._ports[start:end]
            _, does, level = self._of(port)
            if level != "None":
                self.out(port, int(level))
            elif does not in ("adc", "die"):
                self.pull(port, None)
            start = self._ports.find("|", end) + 1
            end = self._ports.find("=", start)
        for port in self._pulled:
            self._converters[port] = machine.ADC(self.pin(port))  # opened anew, a converter takes the pull away
        self._pulled = []

    def _release(self, port):
        if port in self.pwm:
            self.pwm.pop(port).deinit()
