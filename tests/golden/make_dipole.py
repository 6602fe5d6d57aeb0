"""Golden numbers of a half-wave wire dipole in free space: a sweep with the NEC-2 method of moments, by PyNEC.

Run `python tests/golden/make_dipole.py` in an environment with PyNEC (it is no dependency of this project, not even for
tests) to write `dipole.json` again. Wire of 2 mm diameter, 20.6 m, 41 segments, copper losses left out.
"""

import json
import sys
from importlib.metadata import version
from pathlib import Path

import PyNEC

LENGTH_M = 20.6
RADIUS_M = 0.001
SEGMENTS = 41
FIRST_MHZ, LAST_MHZ, STEP_MHZ = 6.6, 7.6, 0.02


def impedance_ohm(megahertz: float) -> complex:
    context = PyNEC.nec_context()
    geometry = context.get_geometry()
    half = LENGTH_M / 2
    geometry.wire(1, SEGMENTS, 0.0, -half, 20.0, 0.0, half, 20.0, RADIUS_M, 1.0, 1.0)
    context.geometry_complete(0)
    context.gn_card(-1, 0, 0, 0, 0, 0, 0, 0)
    context.ex_card(0, 1, SEGMENTS // 2 + 1, 0, 1.0, 0, 0, 0, 0, 0)
    context.fr_card(0, 1, megahertz, 0.0)
    context.xq_card(0)
    return complex(context.get_input_parameters(0).get_impedance()[0])


def main() -> None:
    count = round((LAST_MHZ - FIRST_MHZ) / STEP_MHZ) + 1
    rows = []
    for number in range(count):
        megahertz = round(FIRST_MHZ + number * STEP_MHZ, 4)
        ohm = impedance_ohm(megahertz)
        rows.append([round(megahertz * 1e6), round(ohm.real, 4), round(ohm.imag, 4)])
    head = {
        "made_with": f"PyNEC {version('PyNEC')}",
        "length_m": LENGTH_M,
        "radius_m": RADIUS_M,
        "segments": SEGMENTS,
        "columns": ["frequency_hz", "resistance_ohm", "reactance_ohm"],
    }
    text = json.dumps(head)[:-1] + ',\n"rows": [\n' + ",\n".join(json.dumps(row) for row in rows) + "\n]}\n"
    path = Path(__file__).with_name("dipole.json")
    path.write_text(text, encoding="utf-8")
    print(path, len(rows), file=sys.stderr)


if __name__ == "__main__":
    main()
