"""What stands in for the hardware of a station: transceivers, an antenna switch, an amplifier, and their wires."""
