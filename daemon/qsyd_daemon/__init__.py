"""The daemon: all of qsyd's input and output around the pure core of `qsyd_rules`."""

__version__ = "0.1.0"
