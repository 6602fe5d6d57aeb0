"""Current that flows for a part of the cycle only: direct and fundamental part of a clipped cosine.

i = g max(0, a cos x - b). With t the half conduction angle, cos t = b/a: Idc = g (a sin t - b t) / pi and
I1 = g a (t - sin t cos t) / pi. The Fourier series of a clipped cosine, any book on power amplifiers (from memory).
"""

from math import acos, pi, radians, sin


def clipped_cosine(amplitude: float, cut: float) -> tuple[float, float]:
    """Direct part and amplitude of the fundamental for `g` = 1; `cut` below -`amplitude` never cuts off (class A)."""
    if amplitude <= 0:
        return max(0.0, -cut), 0.0
    cosine = cut / amplitude
    if cosine >= 1:
        return 0.0, 0.0
    angle = pi if cosine <= -1 else acos(cosine)
    sine = sin(angle)
    direct = (amplitude * sine - cut * angle) / pi
    return direct, amplitude * (angle - sine * max(-1.0, cosine)) / pi


def current_ratio(conduction_deg: float) -> float:
    """I1 over Idc: the K of R = V/(K I) where the plate swings down to nothing; 1 in class A, pi/2 in class B."""
    if conduction_deg >= 360:
        return 1.0
    from_peak = radians(conduction_deg / 2)
    direct, fundamental = clipped_cosine(1.0, sin(pi / 2 - from_peak))
    return fundamental / direct
