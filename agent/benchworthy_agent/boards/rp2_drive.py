"""The timer behind a motor pulse."""

import machine


def arm(board, ports, ms):
    """Have the timer drop the enables `ports` in `ms` from now, whatever the program does; again: a new time."""
    if board.pulse is None:
        board.pulse = _Pulse([board.number(port) for port in ports])
    board.pulse.arm(ms)


def disarm(board):
    """End the motor pulse in hand, whose enables are low by now; whether the timer was faster."""
    pulse, board.pulse = board.pulse, None
    return pulse is not None and pulse.end()


class _Pulse:
    """Enables that an interrupt drives low. All that the interrupt touches is made here: it must not take memory."""

    def __init__(self, numbers):
        self.dropped = False
        self._pins = tuple([machine.Pin(number, machine.Pin.OUT, value=0) for number in numbers])
        self._timer = machine.Timer(-1)
        self._on_time = self._drop

    def arm(self, ms):
        if self.dropped:
            return
        try:
            self._timer.init(mode=machine.Timer.ONE_SHOT, period=ms, callback=self._on_time, hard=True)
        except TypeError:  # this port calls back between two instructions of the program; sleeping lets it through
            self._timer.init(mode=machine.Timer.ONE_SHOT, period=ms, callback=self._on_time)

    def end(self):
        self._timer.deinit()
        return self.dropped

    def _drop(self, timer):
        for pin in self._pins:
            pin.init(machine.Pin.OUT, value=0)  # takes a pin back from fast switching too
        self.dropped = True
