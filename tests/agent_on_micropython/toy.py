"""A toy board behind the procedures' own interface; plain enough for CPython and every MicroPython."""

LOAD = {"enable": "en1", "a": "in1", "b": "in2", "read": "common", "current": 4, "ref": 1, "n": 8, "every_us": 500, "ms": 50}
BUS = {"data": "sda", "clock": "scl"}
# For each procedure arguments as a sheet gives them.
ARGUMENTS = {
    "levels": {
        "steps": [
            {"name": "a", "read": "common", "n": 16, "select": 1, "every_us": 50, "set": {"lamp": 1}},
            {"name": "b", "read": "s1", "n": 4, "pull": {"s1": "up"}},
            {"name": "c", "read": "die", "n": 4},
        ]
    },
    "ratio": {
        "dac": "dac",
        "settle_ms": 500,
        "steps": [{"name": "x", "duty": 0, "n": 16, "read": "s1"}, {"name": "y", "duty": 500, "n": 16, "read": "s1"}],
    },
    "idle": {"ports": ["sda", "scl"], "pull": "up", "ms": 20, "every_ms": 2},
    "walk": {"ports": ["spare0", "spare1", "sda"], "off": ["en1", "en2"]},
    "outputs_off": {
        "enables": ["en1", "en2"],
        "inputs": ["in1", "in2", "in3", "in4"],
        "senses": ["sense1", "sense2"],
        "read": "common",
        "current": 4,
        "ref": 1,
        "zero": 5,
        "n": 16,
    },
    "follows": {"enable": "en1", "input": "in1", "others": ["in2"], "sense": "sense1", "n": 4, "ms": 5},
    "currents": LOAD,
    "duties": dict(LOAD, hertz=1000, permille=[250, 500, 750, 1000]),
    "droop": {
        "enables": ["en1", "en2"],
        "highs": ["in1", "in3"],
        "lows": ["in2", "in4"],
        "read": "common",
        "rail": 0,
        "ref": 1,
        "n": 16,
        "ms": 20,
    },
    "stall": dict(LOAD, n=64, every_us=4000, ms=300, stop=3000),
    "coast": {
        "enable": "en1",
        "a": "in1",
        "b": "in2",
        "ms": 1500,
        "switch": {"spare0": 0, "spare1": 1},
        "read": "s2",
        "above": 100,
        "n": 600,
        "every_us": 1000,
    },
    "turn": {"enable": "en1", "a": "in1", "b": "in2", "order": ["off", "back", "forward"], "ms": 900},
    "bus_clear": BUS,
    "bus_scan": dict(BUS, hertz=100000),
    "bus_memory": dict(BUS, address=87, size=256, times=4, hertz=[100000, 400000]),
    "bus_rise": {"ports": ["sda", "scl"], "n": 4},
    "memory_free": {},
    "boots": {},
    "flash": {"bytes": 4096},
    "radio_level": {"n": 10},
    "servo": {"out": "servo", "loop": "loop", "widths_us": [1000, 1500, 2000], "n": 10},
    "blink": {"port": "lamp", "count": 3},
    "tone": {"port": "sounder", "pattern": "rising"},
    "find": {"lamp": "lamp", "sounder": "sounder", "ms": 30000},
    "presses": {"port": "key", "lamp": "lamp", "count": 5, "ms": 3000},
}


class ToyTime:
    """The module `time`, in which time passes only by sleeping."""

    def __init__(self):
        self.us = 5000000

    def ticks_us(self):
        return self.us

    def ticks_ms(self):
        return self.us // 1000

    def ticks_add(self, ticks, more):
        return ticks + more

    def ticks_diff(self, later, earlier):
        return later - earlier

    def sleep_ms(self, ms):
        self.us += ms * 1000

    def sleep_us(self, us):
        self.us += us


class ToyBoard:
    """Pins that read what drives or pulls them; converters that read 100 times the channel, `more` and a little noise.

    `log` holds all that was done as (ms, what, port, value).
    """

    def __init__(self, time, more=0):
        self.time = time
        self.more = more
        self.state = {}
        self.log = []
        self.armed = None  # until when
        self.reads = 0

    def note(self, what, port=None, value=None):
        self.log.append((self.time.ticks_ms(), what, port, value))

    def out(self, port, level):
        self.state[port] = level
        self.note("out", port, level)

    def pull(self, port, direction):
        self.state[port] = int(direction == "up")
        self.note("pull", port, direction)

    def duty(self, port, permille, hertz=20000):
        self.state[port] = int(permille > 0)
        self.note("duty", port, (permille, hertz))

    def level(self, port):
        return self.state.get(port, 0)

    def levels(self, port, n, every_us=0):
        self.time.sleep_us(n * every_us)
        level = self.level(port)
        return [n, n * level, n * level, level, level]

    def burst(self, port, n, every_us=0):
        self.time.sleep_us(n * every_us)
        codes = [self._code() for _ in range(n)]
        return [n, sum(codes), sum([code * code for code in codes]), min(codes), max(codes)]

    def _code(self):
        channel = sum([self.state.get("mux" + str(bit), 0) << bit for bit in range(3)])
        self.reads += 1
        return 100 * channel + self.more + self.reads * 7 % 5

    def burst_until(self, port, n, every_us, stop):
        return self.burst(port, n, every_us), int(self.more > 20)

    def window(self, port, n, every_us, above):
        return self.burst(port, 8, every_us), n - self.more

    def arm(self, ports, ms):
        self.armed = self.time.ticks_ms() + ms
        self.note("arm", tuple(ports), ms)

    def dropped(self):
        return self.armed is not None and self.time.ticks_ms() > self.armed

    def disarm(self):
        dropped, self.armed = self.dropped(), None
        self.note("disarm")
        return dropped

    def rest(self):
        self.state = {}
        self.note("rest")

    def clear_bus(self, data, clock):
        return self.more % 11

    def scan(self, data, clock, hertz):
        return 1 + self.more, 87, 87 + self.more

    def memory_errors(self, data, clock, address, size, times, hertz):
        return self.more % (times + 1)

    def rise(self, port, n):
        return self._same(n, 3300 + self.more)

    def widths(self, out, loop, width_us, n):
        return self._same(n, width_us + self.more)

    def period(self, loop, n):
        return self._same(n, 20000 + self.more)

    def memory_free(self):
        return 150000 + self.more

    def boots(self):
        return self.more % 2

    def flash(self, size):
        return 800000 + self.more, self.more % 3

    def dbm(self, clock, n):
        return self._same(n, -52 - self.more)

    def presses(self, clock, port, count, ms):
        clock.sleep_ms(ms)
        return self._same(count, 1200 + self.more), count

    def _same(self, n, number):
        return [n, n * number, n * number * number, number, number]
