"""Treatments that turn a painted picture into another case: cropping, scanning from film, spoiling."""

import cv2
import numpy as np

from printqueue.demo.canvas import Pixels, as_plane, blur, grain, plane, smooth, tone_curve, toned

SCREEN_PX = (1344, 896)  # a typical export for a web page
ENLARGED = 3
UNDEREXPOSED_STOPS = 0.4
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709


def left_half(pixels: Pixels) -> Pixels:
    """The left half of a panorama."""
    return pixels[:, : pixels.shape[1] // 2]


def right_half(pixels: Pixels) -> Pixels:
    """The right half of a panorama."""
    return pixels[:, pixels.shape[1] // 2 :]


def on_film(pixels: Pixels) -> Pixels:
    """Make it look like a scan of fast black-and-white film.

    The grain is like silver's: clumped over about two px, strongest in the mid-greys; sigma 5 to 6 of 255.
    """
    tone = as_plane(pixels @ LUMA / np.float32(65535))
    tone = tone_curve(blur(tone, 0.85), [(0, 0.05), (0.12, 0.13), (0.35, 0.42), (0.7, 0.82), (1, 0.95)])
    clumps = grain(grain(plane(tone.shape), 1061, 0.018, 1.15), 1062, 0.013, 0.75)
    tone += clumps * (0.55 + 0.62 * smooth(0.02, 0.30, tone) * smooth(1.05, 0.70, tone))
    return toned(tone, [(0, (0.004, 0.0, -0.003)), (0.5, (0.007, 0.002, -0.009)), (1, (0.004, 0.001, -0.006))])


def underexposed(pixels: Pixels) -> Pixels:
    """Reduce the light until even the highlights are dark (sRGB curve, IEC 61966-2-1)."""
    code = np.linspace(0, 1, 65536)
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4) / 2**UNDEREXPOSED_STOPS
    darker = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(darker * 65535).astype(np.uint16)[pixels]


def unsharp(pixels: Pixels, amount: float, sigma: float) -> Pixels:
    """Unsharp masking: `pixels` + `amount` × (`pixels` − their Gaussian blur), 1.0 = 100 %; `sigma` in px."""
    wide = pixels.astype(np.float32)
    sharp = wide + np.float32(amount) * (wide - cv2.GaussianBlur(wide, (0, 0), sigma))
    return np.clip(sharp + np.float32(0.5), 0, 65535).astype(np.uint16)


def oversharpened(pixels: Pixels) -> Pixels:
    """Unsharp masking overdone: 300 % at a radius of 1.6 px."""
    return unsharp(pixels, 3.0, 1.6)


def for_the_screen(pixels: Pixels) -> Pixels:
    """Reduce it as if exported for the screen."""
    return np.asarray(cv2.resize(pixels, SCREEN_PX, interpolation=cv2.INTER_AREA), np.uint16)


def enlarged(pixels: Pixels) -> Pixels:
    """Reduce by area and enlarge again: the pixel count of a large picture with the detail of a small one."""
    height, width = pixels.shape[:2]
    small = cv2.resize(pixels, (width // ENLARGED, height // ENLARGED), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), np.uint16)
