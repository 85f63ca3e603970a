"""What a sound board reads in every test of the Tarn's sheet, worked out from nominal values by hand, not by the circuit."""

from collections.abc import Callable, Mapping, Sequence

from benchworthy.designs.sheet import Sheet, Test

Steps = list[list[int]]
FULL_SCALE, RAIL = 4096, 3.3
REFERENCE = 1.235  # V, U3
SENSE_OHM = 0.5  # R30 and R31 side by side
LOAD_A, OWN_A, HELD_A = 0.137, 0.024, 0.42  # through 22 ohm; the driver itself; the rig's motor held
# Volts at the converter by multiplexer channel: 5 V / 2, U3, S3, S4, no current, D6 lit, 3.3 V / 2, 5 V / 4.
_CHANNELS = {0: 2.5, 1: REFERENCE, 2: 0.0, 3: 0.0, 4: 0.0, 5: 1.95, 6: RAIL / 2, 7: 1.25}
_LEVELS = {"key": 1, "sda": 1, "scl": 1, "servo": 0}
_RISES = {"sda": 4700, "scl": 4700, "spare1": 10_000}  # ns: ohm times 1 nF
_DIE_VOLTS = 0.706 - 0.001721 * (30 - 27)  # a die at 30 degC


def steady(value: int, n: int = 16) -> list[int]:
    """`n` equal readings as a step."""
    return [n, n * value, n * value * value, value, value]


def shaking(value: int, swing: int, n: int) -> list[int]:
    """`n` readings, half of them `swing` above and half `swing` below `value`."""
    squares = n // 2 * ((value + swing) ** 2 + (value - swing) ** 2)
    return [n, n * value, squares, value - swing, value + swing]


def code(volts: float) -> int:
    return round(volts / RAIL * FULL_SCALE)


def steps_of(sheet: Sheet, test: Test) -> Steps:
    """The steps of one test as a sound board reports them."""
    if test.procedure == "walk":
        return [steady(pattern.expected, 1) for pattern in sheet.patterns[test.id]]
    if test.procedure == "idle":
        return [steady(_LEVELS[port]) for port in test.steps]
    if test.procedure in ("levels", "ratio"):
        return _converted(test)
    if test.procedure == "bus_rise":
        return [steady(round(_RISES[port] * 0.663)) for port in test.steps]
    return _COUNTED[test.procedure](test)


def _converted(test: Test) -> Steps:
    described: Sequence[Mapping[str, object]] = test.parameters["steps"]
    return [_conversion(test.id, step) for step in described]


def _conversion(test: str, step: Mapping[str, object]) -> list[int]:
    name, n = str(step["name"]), int(str(step["n"]))
    if test == "PWR-RIP" and name != "ref":
        return shaking(code(2.5), 4 if name == "idle" else 5, n)
    if test == "ADC-NOISE":
        return shaking(code(REFERENCE), 1, n)
    return steady(code(_volts(test, name, step)), n)


def _volts(test: str, name: str, step: Mapping[str, object]) -> float:
    if name == "die":
        return _DIE_VOLTS
    if test == "SNS-OPEN":
        return RAIL * 100 / 165 if name in ("s1", "s2") else 0.0
    if test == "PWR-USBONLY" and name == "rail":
        return 4.7 / 2
    if test == "SV-VCC" and name == "port":
        return 4.99 / 4 * 100 / (100 + 1)
    if test == "ADC-LIN" or (test.startswith("SNS") and name != "rail"):
        return _header(test, step)
    return _CHANNELS[int(str(step["select"]))]


def _header(test: str, step: Mapping[str, object]) -> float:
    """Volts behind a signal header that the test plug feeds: its arms, 1k in series, 100k to ground."""
    fed = RAIL * int(str(step.get("duty", 0))) / 1000
    open_volts, source_k = {
        "SNS-S2": (RAIL / 2, 5.0),
        "SNS-S4": (RAIL / 4, 7.5),
    }.get(test, ((RAIL + fed) / 3, 10 / 3))
    return open_volts * 100 / (100 + 1 + source_k)


def _amperes(current: float) -> int:
    return code(current * SENSE_OHM)


_OWN = steady(_amperes(OWN_A))
_REF = steady(code(REFERENCE))


def _duty(permille: int) -> list[int]:
    return steady(_amperes(OWN_A + LOAD_A * permille / 1000), 100)


def _off(name: str) -> list[int]:
    """While off: the driver's own current, a code more with one input high; nothing at the outputs."""
    if name == "ref":
        return _REF
    return steady(_amperes(0.017) + (name == "i1")) if name[0] == "i" else steady(0)


_COUNTED: Mapping[str, Callable[[Test], Steps]] = {
    "outputs_off": lambda test: [_off(name) for name in test.steps],
    "follows": lambda _: [steady(0), steady(1)],
    "currents": lambda _: [_OWN, *[steady(_amperes(OWN_A + LOAD_A))] * 2, _REF],
    "duties": lambda test: [_OWN, *[_duty(permille) for permille in test.parameters["permille"]], _REF],
    "droop": lambda _: [steady(code(2.5)), _REF, steady(code(2.485)), _REF],
    "stall": lambda _: [_OWN, steady(_amperes(OWN_A + HELD_A), 64), _REF, steady(0, 1)],
    "coast": lambda _: [steady(code(1.0), 8), steady(100, 1)],
    "bus_clear": lambda _: [steady(0, 1)],
    "bus_scan": lambda _: [steady(1, 1), steady(0x57, 1), steady(0x57, 1)],
    "bus_memory": lambda test: [steady(0, 1) for _ in test.steps],
    "servo": lambda test: [*[steady(width, 10) for width in test.parameters["widths_us"]], steady(20_000, 10)],
    "memory_free": lambda _: [steady(180_000, 1)],
    "boots": lambda _: [steady(0, 1)],
    "flash": lambda _: [steady(800_000, 1), steady(0, 1)],
    "presses": lambda _: [shaking(1200, 400, 4), steady(5, 1)],
    "radio_level": lambda _: [steady(-52, 10)],
    "radio_echo": lambda _: [steady(0, 1), steady(40_000, 200)],
    "port": lambda _: [steady(900_000, 1), steady(1, 1), steady(1, 1)],
    "echo": lambda _: [steady(80_000, 1), steady(0, 1)],
    "wiggle": lambda _: [steady(0, 1)],
    "clock": lambda _: [steady(30_000_150, 1), steady(30_000_000, 1)],
    "recharge": lambda _: [steady(0, 1), steady(1, 1)],
}
