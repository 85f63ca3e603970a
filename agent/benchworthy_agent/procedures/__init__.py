"""The procedures: name(hw, clock, args) gives steps, each [n, sum, sum of squares, least, greatest] in whole numbers.

A procedure measures and never judges, so it holds no condition on a reading: the same file also runs on arrays of
boards. It knows the hardware only through `hw` (boards/) and the time only through `clock` (runner.Clock). Its steps
come in the order that the service expects. A new one is a function in one of these files and its name here.
Only radio_echo, which measures no board but the way to the broker, stands elsewhere: in bench_echo.py.
"""

# A file, then the procedures in it: brought into memory one file at a time.
FILES = (
    "converter levels ratio",
    "lines idle walk",
    "motor outputs_off follows",
    "load currents duties droop",
    "rig stall coast turn",
    "bus bus_clear bus_scan bus_memory bus_rise",
    "module memory_free boots flash radio_level servo",
    "people blink tone find presses",
)
