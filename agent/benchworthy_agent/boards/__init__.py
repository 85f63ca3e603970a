"""One file per family of modules; only these touch the hardware."""
