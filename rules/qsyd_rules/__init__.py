"""The pure core of qsyd: bands, segments, rules, the amplifier model and the change-over.

Nothing here reads a clock, opens a file or awaits anything. Time is an integer of microseconds, frequency an
integer of hertz; both are passed in.
"""
