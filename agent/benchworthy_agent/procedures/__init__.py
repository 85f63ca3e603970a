"""The procedures: run(hw, clock, args) gives steps, each [n, sum, sum of squares, least, greatest] in whole numbers.

A procedure measures and never judges, so it holds no condition on a reading; it knows the hardware only through `hw`
(boards/) and the time only through `clock` (sleep_ms, sleep_us). Its steps come in the order that the service expects.
"""

NAMES = ("levels", "idle", "walk", "ratio", "outputs_off", "blink")
