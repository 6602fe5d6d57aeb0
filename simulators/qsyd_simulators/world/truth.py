"""The watch on the true hardware: W1 to W4. It knows nothing of what anybody believes."""

from collections.abc import Callable
from math import exp

from qsyd_rules.band import megahertz
from qsyd_rules.command import CommandName
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import PresetStanding, standing
from qsyd_rules.station import WithoutPreset
from qsyd_simulators.world.agenda import MS, Agenda, S
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.plant import TIME_CONSTANTS, Plant
from qsyd_simulators.world.store import Store
from qsyd_simulators.world.verdict import Verdict

WARM = 1.0 - exp(-TIME_CONSTANTS) - 1e-9
"""A cathode that has had its whole warm-up, rounding apart."""
REACTION_US = 850 * MS
"""T_fresh and T_safe: how old the evidence may be, and how long the safe direction may take."""
LESSER_HARM_US = 2 * S
"""Keyed on in another place of the same band: so long before standby is forced."""


class Truth:
    """Watches one plant. `excused(since_us)` says whether a fault since then took eyes or hands from the daemon."""

    def __init__(
        self,
        layout: Layout,
        atlas: Atlas,
        agenda: Agenda,
        plant: Plant,
        store: Store,
        verdict: Verdict,
        excused: Callable[[int], bool],
    ) -> None:
        self._agenda, self._plant, self._store, self._verdict = agenda, plant, store, verdict
        self._atlas = atlas
        self._excused = excused
        self._station = layout.station
        self._guarded = layout.is_guarded
        self._switched = layout.carries(CommandName.SELECT_ANTENNA)
        self._recalls = layout.carries(CommandName.RECALL_PRESET)
        self._reaction_us = REACTION_US + layout.poll_us
        self._antennas = {antenna.port: antenna for antenna in layout.station.antennas}
        self._hysteresis_hz = layout.station.change_over.hysteresis_hz
        self.locked_out = False
        self._locked_us = 0
        self._rf = False
        self._wrong: str | None = None
        self._wrong_since_us = 0
        plant.changed = self.look
        plant.contacts_moved = self._contacts_moved
        plant.operated = self._operated
        plant.stood_by = self._stood_by

    def lock_out(self, is_on: bool) -> None:
        """Somebody works on the station now, or no longer."""
        self.locked_out, self._locked_us = is_on, self._agenda.now_us
        if is_on:
            self._verdict.exercised["W4"] += 1
            self._agenda.after(self._reaction_us, self._check_lockout)

    def look(self, _: object = None) -> None:
        """Something has changed that RF may depend on."""
        plant, now_us = self._plant, self._agenda.now_us
        if plant.rf and not self._rf:
            self._verdict.exercised["W3"] += 1
            if now_us < plant.contacts_rest_us:
                self._hot("RF came while the antenna contacts were moving")
            if now_us < plant.relay_rests_us and plant.in_operate:
                self._hot("RF came while the transfer relay was moving")
        self._rf = plant.rf
        if self.locked_out:
            self._check_lockout()
        wrong = self.wrong() if plant.rf else None
        if wrong != self._wrong:
            self._wrong, self._wrong_since_us = wrong, now_us
            if wrong is not None:
                self._agenda.after(self._slack_us(wrong), self._check_wrong, (wrong, now_us))

    def wrong(self) -> str | None:
        """What would be wrong with RF as everything stands now; None where it is as it should be."""
        plant, station = self._plant, self._station
        frequency_hz = plant.transmit_hz
        segment = self._atlas.segment_at(frequency_hz)
        if segment is None:
            return "antenna: outside every band"
        antenna = self._antennas.get(plant.port) if plant.port is not None else None
        if self._switched:
            if antenna is None:
                return "antenna: none is connected"
            if segment.band not in antenna.bands:
                return f"antenna: {antenna.name} is not made for {segment.band}"
        if not plant.in_operate or station.amplifier is None:
            return None
        if segment.band not in station.amplifier.bands:
            return f"amplifier: it does not serve {segment.band}"
        if antenna is not None and antenna.max_power_w is not None and antenna.max_power_w < station.amplifier.output_w:
            return f"amplifier: {antenna.name} does not bear its power"
        if antenna is None or not self._recalls:
            return None
        return self._wrong_tank(antenna.name, frequency_hz)

    def _wrong_tank(self, antenna: str, frequency_hz: int) -> str | None:
        amplifier = self._station.amplifier
        for shift_hz in (0, -self._hysteresis_hz - 1, self._hysteresis_hz):
            segment = self._atlas.segment_at(frequency_hz + shift_hz)
            if segment is None:
                continue
            stored = self._store.presets.get((antenna, segment.name))
            if stored is None or standing(stored, segment) is not PresetStanding.SAVED:
                if amplifier is not None and amplifier.without_preset is WithoutPreset.OPERATE:
                    return None
                if amplifier is not None and amplifier.without_preset is WithoutPreset.ESTIMATE:
                    fitted = self._atlas.estimate(antenna, segment, self._store.presets)
                    if fitted is not None and self._plant.tank == (fitted.tune, fitted.load):
                        return None
            elif self._plant.tank == (stored.tune, stored.load):
                return None
        return f"amplifier: the tank is not that of {antenna}"

    def _slack_us(self, wrong: str) -> int:
        return self._reaction_us + (LESSER_HARM_US if wrong.startswith("amplifier") else 0)

    def _check_wrong(self, noticed: tuple[str, int]) -> None:
        wrong, since_us = noticed
        if self._wrong != wrong or self._wrong_since_us != since_us:
            return
        if self._excused(since_us):
            self._wrong_since_us = self._agenda.now_us
            self._agenda.after(self._slack_us(wrong), self._check_wrong, (wrong, self._agenda.now_us))
        elif not self._guarded and wrong.startswith("antenna"):
            self._verdict.exposures["RF into the wrong load, unguarded"] += 1
        else:
            place = megahertz(self._plant.transmit_hz)
            self._verdict.violate(
                "W3", self._agenda.now_us, f"RF on {place} for {self._slack_us(wrong) // MS} ms, {wrong}"
            )

    def _contacts_moved(self) -> None:
        self._verdict.exercised["W1"] += 1
        if self._plant.rf:
            self._hot("the antenna contacts moved under RF")

    def _operated(self) -> None:
        self._verdict.exercised["W1"] += 1
        self._verdict.exercised["W2"] += 1
        if self._plant.rf:
            self._hot("the transfer relay went to operate under RF")
        if self._plant.warmth < WARM:
            text = f"into operate with the cathode at {self._plant.warmth:.0%}"
            if self._plant.unseen_cold:
                self._verdict.exposures["cold cathode after a loss of supply that nobody could notice"] += 1
            else:
                self._verdict.violate("W2", self._agenda.now_us, text)
        if self.locked_out:
            self._check_lockout()

    def _stood_by(self) -> None:
        if self._plant.rf:
            self._verdict.exposures["transfer relay opened under RF, the lesser harm"] += 1

    def _hot(self, text: str) -> None:
        if self._guarded:
            self._verdict.violate("W1", self._agenda.now_us, text)
        else:
            self._verdict.exposures["contacts moved under RF, unguarded"] += 1

    def _check_lockout(self, _: object = None) -> None:
        if not self.locked_out or self._agenda.now_us < self._locked_us + self._reaction_us:
            return
        if not (self._plant.rf or self._plant.in_operate) or self._excused(self._locked_us):
            return
        if self._guarded:
            self._verdict.violate("W4", self._agenda.now_us, "RF, or the amplifier in operate, under a lockout")
        else:
            self._verdict.exposures["RF under a lockout, unguarded"] += 1
