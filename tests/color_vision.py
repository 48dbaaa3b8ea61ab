"""How colours look to colour-blind eyes, on grey paper and against a ground."""

import numpy as np

#: Severity 1 of Machado, Oliveira and Fernandes (2009), A physiologically-based model for
#: simulation of color vision deficiency, IEEE Transactions on Visualization and Computer
#: Graphics 15(6), 1291-1298: matrices on linear RGB, as the authors published them.
MACHADO = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
VISIONS = ("normal", *MACHADO)

# IEC 61966-2-1: linear sRGB to CIE XYZ, white D65.
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(color: str) -> np.ndarray:
    """Return linear RGB, 0..1, of a colour such as ``#0b2545``."""
    c = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def seen(color: str, vision: str) -> np.ndarray:
    """Return linear RGB of a colour as an eye with that vision has it."""
    rgb = linear(color)
    return rgb if vision == "normal" else np.clip(np.array(MACHADO[vision]) @ rgb, 0.0, 1.0)


def lab(rgb) -> np.ndarray:
    """Return CIE L*, a*, b* (CIE 15) of linear RGB."""
    t = _XYZ @ rgb / _XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def lightness(color: str) -> float:
    """Return CIE L*, 0..100: what is left of a colour in black and white."""
    return float(lab(linear(color))[0])


def difference(one: str, other: str, vision: str = "normal") -> float:
    """Return the CIEDE2000 difference of two colours as an eye with that vision has them."""
    return ciede2000(lab(seen(one, vision)), lab(seen(other, vision)))


def ciede2000(one, other) -> float:
    """Return the colour difference of two CIE L*a*b* colours.

    Sharma, Wu and Dalal (2005), The CIEDE2000 color-difference formula, Color Research and
    Application 30(1), 21-30.
    """
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean**7 / (mean**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = h2 - h1
    if c1 * c2 == 0:
        turn = 0.0
    elif turn > 180:
        turn -= 360
    elif turn < -180:
        turn += 360
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    if c1 * c2 == 0:
        hue = h1 + h2
    elif abs(h1 - h2) <= 180:
        hue = (h1 + h2) / 2
    else:
        hue = (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(hue - 30))
        + 0.24 * np.cos(np.radians(2 * hue))
        + 0.32 * np.cos(np.radians(3 * hue + 6))
        - 0.20 * np.cos(np.radians(4 * hue - 63))
    )
    spread = 30 * np.exp(-(((hue - 275) / 25) ** 2))
    turned = -np.sin(np.radians(2 * spread)) * 2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    x = (l2 - l1) / (1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2))
    y = (c2 - c1) / (1 + 0.045 * chroma)
    z = dh / (1 + 0.015 * chroma * t)
    return float(np.sqrt(x**2 + y**2 + z**2 + turned * y * z))


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1..21 (WCAG 2.1)."""
    low, high = sorted(float(_XYZ[1] @ linear(color)) for color in (one, other))
    return (high + 0.05) / (low + 0.05)
