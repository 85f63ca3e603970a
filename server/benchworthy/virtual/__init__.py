"""Virtual boards: a circuit, hands that plug and press, and the real agent on real MicroPython over a serial port."""
