"""Golden numbers of pi and pi-L tanks, and of coaxial cable, calculated with scikit-rf.

Run `python tests/golden/make_networks.py` in an environment with scikit-rf to write `networks.json` again; the tests read
that file and do not import scikit-rf. Element values come from the tables of this file, not from the project's code.
"""

import json
import sys
from math import log, pi
from pathlib import Path

import numpy as np
import skrf
from skrf.media import DefinedGammaZ0

OHM = 50.0
PI_TANKS = [  # plate ohm, tuned at Hz, C1 pF, L uH, C2 pF: Q 12 on the input side, 50 ohm
    (1500, 1_900_000, 670.13, 12.0951, 3280.08),
    (2000, 3_750_000, 254.65, 7.9732, 1375.26),
    (2500, 7_150_000, 106.85, 5.1344, 613.65),
    (3000, 14_200_000, 44.83, 3.0587, 266.81),
    (2000, 28_500_000, 33.51, 1.0491, 180.95),
]
PI_L_TANKS = [  # plate ohm, tuned at Hz, C1 pF, L1 uH, C2 pF, L2 uH: Q 12, 200 ohm between, 50 ohm
    (1500, 3_750_000, 339.53, 7.1485, 1276.17, 3.6755),
    (2000, 28_500_000, 33.51, 1.2073, 150.95, 0.4836),
    (3000, 14_200_000, 44.83, 3.4654, 262.04, 0.9706),
    (4000, 3_750_000, 127.32, 16.9765, 898.07, 3.6755),
]
LOADS_OHM = [50 + 0j, 30 - 20j, 80 + 40j]
COIL_Q = 200.0
LINES = [  # length m, matched loss dB, velocity, frequency Hz
    (38.0, 0.655, 0.84, 14_200_000),
    (27.0, 0.21, 0.84, 3_700_000),
    (52.0, 1.3, 0.66, 28_500_000),
]


def input_ohm(network: skrf.Network, load_ohm: complex) -> complex:
    """What a two-port presents at its input with a load at its output."""
    gamma = (load_ohm - OHM) / (load_ohm + OHM)
    s = network.s[0]
    reflected = s[0, 0] + s[0, 1] * s[1, 0] * gamma / (1 - s[1, 1] * gamma)
    return complex(OHM * (1 + reflected) / (1 - reflected))


def tank_rows() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for plate_ohm, tuned_hz, c1_pf, l1_uh, c2_pf, *rest in [*PI_TANKS, *PI_L_TANKS]:
        for factor in (0.97, 1.0, 1.02):
            hertz = tuned_hz * factor
            frequency = skrf.Frequency.from_f(np.array([hertz]), unit="Hz")
            line = DefinedGammaZ0(frequency=frequency, z0=OHM)

            def coil(microhenries: float, hertz: float = hertz, line: DefinedGammaZ0 = line) -> skrf.Network:
                lost_ohm = 2 * pi * hertz * microhenries * 1e-6 / COIL_Q
                return line.resistor(lost_ohm) ** line.inductor(microhenries * 1e-6)

            network = line.shunt_capacitor(c1_pf * 1e-12) ** coil(l1_uh) ** line.shunt_capacitor(c2_pf * 1e-12)
            if rest:
                network = network ** coil(rest[0])
            for load_ohm in LOADS_OHM:
                seen = input_ohm(network, load_ohm)
                rows.append(
                    {
                        "plate_ohm": plate_ohm,
                        "tuned_hz": tuned_hz,
                        "c1_pf": c1_pf,
                        "l1_uh": l1_uh,
                        "c2_pf": c2_pf,
                        "l2_uh": rest[0] if rest else None,
                        "coil_q": COIL_Q,
                        "frequency_hz": hertz,
                        "load_ohm": [load_ohm.real, load_ohm.imag],
                        "input_ohm": [round(seen.real, 4), round(seen.imag, 4)],
                    }
                )
    return rows


def line_rows() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for length_m, loss_db, velocity, hertz in LINES:
        frequency = skrf.Frequency.from_f(np.array([float(hertz)]), unit="Hz")
        gamma = loss_db * log(10) / 20 / length_m + 2j * pi * hertz / (skrf.constants.c * velocity)
        media = DefinedGammaZ0(frequency=frequency, z0=OHM, gamma=np.array([gamma]))
        network = media.line(length_m, unit="m")
        for load_ohm in (25 + 0j, 75 + 60j, 12 - 90j):
            seen = input_ohm(network, load_ohm)
            rho_load = abs((load_ohm - OHM) / (load_ohm + OHM))
            rho_in = abs((seen - OHM) / (seen + OHM))
            s21 = abs(network.s[0, 1, 0]) ** 2
            efficiency = s21 * (1 - rho_load**2) / (1 - rho_in**2)  # matched line: no reflection of its own
            rows.append(
                {
                    "length_m": length_m,
                    "matched_loss_db": loss_db,
                    "velocity": velocity,
                    "frequency_hz": hertz,
                    "load_ohm": [load_ohm.real, load_ohm.imag],
                    "input_ohm": [round(seen.real, 5), round(seen.imag, 5)],
                    "efficiency": round(float(efficiency), 6),
                }
            )
    return rows


def main() -> None:
    rows = {"tanks": tank_rows(), "lines": line_rows()}
    made_with = f"scikit-rf {skrf.__version__}, numpy {np.__version__}"
    text = json.dumps({"made_with": made_with})[:-1]
    for name, part in rows.items():
        text += f',\n"{name}": [\n' + ",\n".join(json.dumps(row) for row in part) + "\n]"
    path = Path(__file__).with_name("networks.json")
    path.write_text(text + "}\n", encoding="utf-8")
    print(path, {name: len(part) for name, part in rows.items()}, file=sys.stderr)


if __name__ == "__main__":
    main()
