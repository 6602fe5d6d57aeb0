"""Reads the band tables that ship with the rules."""

from functools import cache
from importlib.resources import files

import yaml

from qsyd_rules.band_tables import BandTables


@cache
def load_band_tables() -> BandTables:
    """The shipped band tables, read and compiled once a process.

    Raises `ValueError` or `yaml.YAMLError` where the installed data are damaged.
    """
    text = files("qsyd_rules").joinpath("data", "bands.yaml").read_text(encoding="utf-8")
    # The C loader where PyYAML was built with it: the start of every command waits for this.
    document = yaml.load(text, Loader=yaml.CSafeLoader) if yaml.__with_libyaml__ else yaml.safe_load(text)
    return BandTables.from_document(document)
