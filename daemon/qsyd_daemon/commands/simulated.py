"""From a scenario file to the simulated world: its devices, and its steps as the world's acts."""

from dataclasses import replace

from qsyd_daemon.output_wiring import wiring_of
from qsyd_daemon.scenario_file import ScenarioFile
from qsyd_daemon.scenario_step import ScenarioStep
from qsyd_daemon.station_file.settings import DeviceSettings, LineSettings, OutputSettings
from qsyd_rules.command import CommandName
from qsyd_simulators.world.faults import FaultKind
from qsyd_simulators.world.happening import (
    Acknowledge,
    Act,
    Ask,
    ChangeMode,
    Dial,
    EditPreset,
    HoldAntenna,
    Key,
    LockOut,
    OtherVfo,
    Relief,
    Split,
    Trouble,
    Unkey,
)
from qsyd_simulators.world.layout import DevicePlan, Layout
from qsyd_simulators.world.scenario import Expectation, Step

PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})


def layout_of(file: ScenarioFile) -> Layout:
    """The station of a scenario, with a simulated device for each of its device and line outputs."""
    simulated = file.simulated
    station = simulated.station
    devices = tuple(plan for output in simulated.outputs if (plan := _device(output)) is not None)
    wiring = wiring_of(simulated.outputs, {plan.name: plan.carries for plan in devices}, False)
    link = simulated.rig_links[station.followed]
    return Layout(
        file.title,
        station,
        devices,
        file.presets,
        permit_is_wired=file.permit_is_wired,
        drops_by_itself=wiring.drops_by_itself,
        poll_us=link.poll_us,
        push=link.push,
        senses_key=link.key_sense is not None,
        begun=file.begun,
        file_sha256=simulated.sha256,
    )


def acts_of(file: ScenarioFile) -> tuple[Act, ...]:
    """How the rig stands at first."""
    acts: list[Act] = []
    if file.mode is not None:
        acts.append(ChangeMode(file.mode))
    if file.other_hz is not None:
        acts.append(OtherVfo(file.other_hz))
    if file.dial_hz is not None:
        acts.append(Dial(file.dial_hz))
    return tuple(acts)


def steps_of(file: ScenarioFile) -> tuple[Step, ...]:
    """The steps, numbered as in the file."""
    return tuple(Step(number, step.at_us, step.after_us, _what(step)) for number, step in enumerate(file.steps))


def _device(output: OutputSettings) -> DevicePlan | None:
    if isinstance(output, LineSettings):
        return DevicePlan(output.name, PERMIT, acknowledges=False, latency_us=0, jitter_us=0, work_us=100)
    if not isinstance(output, DeviceSettings):
        return None
    plan = DevicePlan(
        output.name,
        frozenset(output.commands),
        output.timeout_us,
        output.retries,
        acknowledges=output.acknowledge is not None,
    )
    readings = output.readings
    if readings is None:
        return plan
    return replace(
        plan,
        readings_every_us=readings.every_us,
        readings=frozenset(readings.names),
        stale_after_us=readings.stale_after_us,
        travel_us=readings.travel_us,
    )


def _what(step: ScenarioStep) -> Act | Expectation:
    match step:
        case ScenarioStep(dial_hz=int(hertz)):
            return Dial(hertz)
        case ScenarioStep(other_hz=int(hertz)):
            return OtherVfo(hertz)
        case ScenarioStep(split=bool(is_on)):
            return Split(is_on)
        case ScenarioStep(key_down=bool(down)):
            return Key() if down else Unkey()
        case ScenarioStep(lockout=bool(is_on)):
            return LockOut(is_on)
        case ScenarioStep(acknowledges=True):
            return Acknowledge()
        case _:
            return _larger(step)


def _larger(step: ScenarioStep) -> Act | Expectation:
    if step.mode is not None:
        return ChangeMode(step.mode)
    if step.request is not None:
        return Ask(step.request)
    if step.hold is not None:
        return HoldAntenna(step.hold.antenna, step.hold.lasts_us)
    if step.preset is not None:
        return EditPreset(step.preset.antenna, step.preset.segment, step.preset.positions)
    if step.fault is not None:
        kind = FaultKind(step.fault.name)
        return Trouble(kind, step.fault.lasts_us) if step.fault.is_on else Relief(kind)
    assert step.expect is not None  # the file's reader lets no step be empty
    return Expectation(step.expect.wants, step.expect.within_us)
