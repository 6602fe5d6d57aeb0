"""The station file: read, judged with all its faults at once, and turned into what the core and the wires need."""
