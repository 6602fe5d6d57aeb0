"""The band tables: band edges by ITU region and licence privileges, from a document that ships as data.

The document is a mapping as a YAML or JSON reader gives it; its rows name their sources. Reading it is the caller's.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Self

from qsyd_rules.band import Band
from qsyd_rules.privileges import Channel, Emission, Grant, PowerLimit, Privileges, SixtyMetre, Stretch
from qsyd_rules.words import LicenceClass

US_REGION = 2
"""The ITU region whose columns of the US tables are given."""


@dataclass(frozen=True, slots=True)
class BandTables:
    """Bands of every region and privileges of every licence class, compiled."""

    as_of: str
    """The date the tables are good for, `YYYY-MM` or `YYYY-MM-DD`: of the newest text they were taken from."""
    _regions: Mapping[int, tuple[Band, ...]] = field(hash=False)
    _privileges: Mapping[LicenceClass, Privileges] = field(hash=False)
    _envelope_60m: Band

    @classmethod
    def from_document(cls, document: Mapping[str, object]) -> Self:
        """Compile a document; raises `ValueError` that names the place where something is missing or wrong."""
        table = _Table("band tables", document)
        regions = {
            region: tuple(sorted((_band(row) for row in table.table("regions").rows(str(region))), key=_low_hz))
            for region in (1, 2, 3)
        }
        us = table.table("us")
        return cls(
            table.word("as_of"),
            regions,
            {licence: _privileges_of(us, licence) for licence in LicenceClass},
            _band(us.table("sixty_metre")),
        )

    def bands(self, region: int, licence: LicenceClass | None = None) -> tuple[Band, ...]:
        """The bands of an ITU region by rising frequency, 160m to 6m; raises `ValueError` unless it is 1, 2 or 3.

        A licence that reaches beyond the region's plan widens the band to both: 60m for US General and above in
        Region 2, where `Privileges` says what inside the edges is granted. In other regions the plan stands alone.
        """
        bands = self._regions.get(region)
        if bands is None:
            raise ValueError(f"there is no ITU region {region}; it is 1, 2 or 3")
        if licence is None or region != US_REGION or self._privileges[licence].sixty_metre is None:
            return bands
        wide = self._envelope_60m
        return tuple(
            Band(band.name, min(band.low_hz, wide.low_hz), max(band.high_hz, wide.high_hz))
            if band.name == wide.name
            else band
            for band in bands
        )

    def privileges(self, licence: LicenceClass) -> Privileges:
        """The privileges of a licence class, in the Region 2 columns of 47 CFR 97.301 whatever region a station names.

        A station in Region 1 or 3 has other edges there, and is held to its region's bands as well.
        """
        return self._privileges[licence]


@dataclass(frozen=True, slots=True)
class _Table:
    """A mapping of the document and where it stands, so that mistakes can be named."""

    place: str
    values: Mapping[str, object]

    def _get(self, key: str) -> object:
        if key not in self.values:
            raise ValueError(f"{self.place}: {key} is missing")
        return self.values[key]

    def _unlike(self, key: str, wanted: str) -> ValueError:
        return ValueError(f"{self.place}: {key} is {self.values[key]!r}, and must be {wanted}")

    def integer(self, key: str) -> int:
        match self._get(key):
            case int(value) if not isinstance(value, bool):
                return value
            case _:
                raise self._unlike(key, "a whole number")

    def word(self, key: str) -> str:
        match self._get(key):
            case str(value):
                return value
            case _:
                raise self._unlike(key, "a word")

    def words(self, key: str) -> frozenset[str]:
        match self._get(key):
            case [*values] if len(words := [value for value in values if isinstance(value, str)]) == len(values):
                return frozenset(words)
            case _:
                raise self._unlike(key, "a list of words")

    def table(self, key: str) -> "_Table":
        match self._get(key):
            case Mapping() as values:
                return _Table(f"{self.place}: {key}", values)
            case _:
                raise self._unlike(key, "a mapping")

    def rows(self, key: str) -> tuple["_Table", ...]:
        match self._get(key):
            case [*values] if len(rows := [value for value in values if isinstance(value, Mapping)]) == len(values):
                return tuple(
                    _Table(f"{self.place}: {key} row {number}", row) for number, row in enumerate(rows, start=1)
                )
            case _:
                raise self._unlike(key, "a list of mappings")

    def emissions(self, key: str) -> frozenset[Emission]:
        known = {str(emission) for emission in Emission}
        if unknown := sorted(self.words(key) - known):
            raise ValueError(f"{self.place}: {key} has {unknown[0]!r}; known are {', '.join(sorted(known))}")
        return frozenset(Emission(word) for word in self.words(key))


def _low_hz(band: Band) -> int:
    return band.low_hz


def _stretch(row: _Table, band: str) -> Stretch:
    low_hz, high_hz = row.integer("low_hz"), row.integer("high_hz")
    if low_hz >= high_hz:
        raise ValueError(f"{row.place}: low_hz {low_hz} must be below high_hz {high_hz}")
    return Stretch(band, low_hz, high_hz)


def _band(row: _Table) -> Band:
    stretch = _stretch(row, row.word("band"))
    return Band(stretch.band, stretch.low_hz, stretch.high_hz)


def _grant(row: _Table) -> Grant:
    emissions = row.emissions("emissions") if "emissions" in row.values else None
    return Grant(_stretch(row, row.word("band")), emissions)


def _privileges_of(us: _Table, licence: LicenceClass) -> Privileges:
    limits = [
        PowerLimit(_stretch(row, row.word("band")), row.integer("max_w"))
        for row in us.rows("power_limits")
        if licence in row.words("licences")
    ]
    sixty_metre = None
    table = us.table("sixty_metre")
    if licence in table.words("licences"):
        sixty_metre, limits_60m = _sixty_metre(table)
        limits += limits_60m
    return Privileges.of(
        licence,
        [_grant(row) for row in us.table("licences").rows(str(licence))],
        [_grant(row) for row in us.rows("emissions")],
        sixty_metre,
        limits,
    )


def _sixty_metre(table: _Table) -> tuple[SixtyMetre, list[PowerLimit]]:
    band = table.word("band")
    segment = table.table("segment")
    free = Grant(_stretch(segment, band), table.emissions("emissions"))
    channels, limits = [], [PowerLimit(free.stretch, segment.integer("max_erp_mw") // 1000)]
    for row in table.rows("channels"):
        own, dial_hz = _stretch(row, band), row.integer("usb_dial_hz")
        reach = Stretch(band, min(own.low_hz, dial_hz), own.high_hz)
        channels.append(Channel(row.integer("centre_hz"), dial_hz, reach))
        limits.append(PowerLimit(reach, row.integer("max_erp_mw") // 1000))
    return SixtyMetre(tuple(channels), free, table.integer("bandwidth_hz")), limits
