"""The station seen and steered through HTTP: over the control socket, and over TCP where the station file opens it."""
