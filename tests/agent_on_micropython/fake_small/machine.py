"""The least of `machine` in which a whole run of the agent goes through: on a board none of it takes memory."""


class Pin:
    IN = OUT = PULL_UP = PULL_DOWN = ONE_SHOT = 1

    def __init__(self, *a, **k):
        pass

    def read_u16(self, *a, **k):
        return 24000

    freq = duty_u16 = duty_ns = init = deinit = read_u16

    def value(self):
        return 1

    def scan(self):
        return [0x57]

    def readfrom_mem(self, address, at, size):
        return bytes(size)


ADC = PWM = I2C = Timer = Pin


def time_pulse_us(*a):
    return 1500


rise_ns = time_pulse_us


def unique_id():
    return b"\xe6\x61\x64\x08\x43\x12\x34\x56"
