"""Frequencies as people type them: `14.205 MHz`, `7100 kHz`, `7100500 Hz`."""

import re

_DECIMALS = {"hz": 0, "khz": 3, "mhz": 6}
_TYPED = re.compile(r"([0-9]{1,9})(?:\.([0-9]{1,9}))?\s*([a-z]+)", re.ASCII | re.IGNORECASE)


def frequency_from(text: str) -> int:
    """The frequency in hertz; raises `ValueError`, in words for who typed it, where it is none or no whole hertz."""
    typed = _TYPED.fullmatch(text.strip())
    decimals = _DECIMALS.get(typed[3].lower()) if typed else None
    if typed is None or decimals is None:
        raise ValueError(f"'{text.strip()}' is no frequency; write it like 14.205 MHz, 7100 kHz or 7100500 Hz")
    fraction = (typed[2] or "").rstrip("0")
    if len(fraction) > decimals:
        raise ValueError(f"'{text.strip()}' is finer than 1 Hz")
    return int(typed[1] + fraction.ljust(decimals, "0"))


def frequency_text(frequency_hz: int) -> str:
    """The frequency in megahertz, to the hertz: `14.205000 MHz`."""
    return f"{frequency_hz // 1_000_000}.{frequency_hz % 1_000_000:06d} MHz"
