"""Measurements of a motor port that must not miss their moment."""

import time

from benchworthy_agent.boards import rp2


def burst_until(board, port, n, every_us, stop):
    """The tally of at most n conversions, and 1 if one at or above the raw code `stop` ended them, with the pulse, or 0."""
    read = board.converter(port).read_u16
    read()
    total = squares = count = greatest = 0
    least = 4095
    due = time.ticks_us()
    while count < n and greatest < stop:
        left = time.ticks_diff(due, time.ticks_us())
        if left > 0:
            time.sleep_us(left)
        due = time.ticks_add(due, every_us)
        code = read() >> 4
        count += 1
        total += code
        squares += code * code
        least, greatest = min(least, code), max(greatest, code)
    return [count, total, squares, least, greatest], int(greatest >= stop)


def window(board, port, n, every_us, above):
    """The tally of the first eight of n conversions, and how many of all lie at or above the raw code `above`."""
    read = board.converter(port).read_u16
    read()
    count = [0]

    def take():
        code = read() >> 4
        if code >= above:
            count[0] += 1
        return code

    start = rp2.tally(take, 8, every_us)
    time.sleep_us(every_us)
    rp2.tally(take, n - 8, every_us)
    return start, count[0]
