"""Rig protocols, sans-I/O: bytes in, typed readings out. Nothing here opens a port or reads a clock."""
