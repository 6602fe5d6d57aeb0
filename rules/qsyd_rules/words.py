"""The trade words that files, events and commands share, each with one meaning everywhere."""

from enum import StrEnum


class Mode(StrEnum):
    """Emission as the rig names it; RTTY and PSK are data, CW-reverse is CW, and narrow FM is FM."""

    CW = "cw"
    LSB = "lsb"
    USB = "usb"
    AM = "am"
    FM = "fm"
    DATA = "data"


class AmplifierState(StrEnum):
    """What the amplifier is doing, by the daemon's own account."""

    OFF = "off"
    WARM_UP = "warm-up"
    STANDBY = "standby"
    OPERATE = "operate"
    FAULT = "fault"
    COOL_DOWN = "cool-down"


class LicenceClass(StrEnum):
    """Operator privileges the band tables know, as written in a station file."""

    US_TECHNICIAN = "us-technician"
    US_GENERAL = "us-general"
    US_ADVANCED = "us-advanced"
    US_EXTRA = "us-extra"


class Result(StrEnum):
    """How much is known of a command that was sent; listed from best to worst."""

    CONFIRMED = "confirmed"
    ACKNOWLEDGED = "acknowledged"
    ASSUMED = "assumed"
    FAILED = "failed"


def worst(results: list[Result]) -> Result:
    """The least certain of several results; `ASSUMED` when there are none."""
    order = list(Result)
    return max(results, key=order.index, default=Result.ASSUMED)
