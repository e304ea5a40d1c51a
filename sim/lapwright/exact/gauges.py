"""Closed forms of what instruments read: spherometers, three pads in line, fringes."""

from __future__ import annotations

from math import cos, pi

__all__ = ["bands", "newton_radius", "spherometer_radius", "spherometer_reading", "wave_reading"]


def spherometer_reading(radius: float, foot_radius: float, ball: float = 0.0) -> float:
    """Height of the middle over the feet [m] on a ball of `radius` [m] (+ dome, - dish).

    The feet stand on a circle of `foot_radius` and end in balls of radius `ball` [m], whose middles lie on a
    sphere of radius + ball over a dome and radius - ball in a dish.  Plane geometry.
    """
    about = abs(radius) + (ball if radius > 0.0 else -ball)
    # The same as about - sqrt(about^2 - a^2) without its loss of digits on nearly flat faces.
    sag = foot_radius**2 / (about + (about**2 - foot_radius**2) ** 0.5)
    return float(sag if radius > 0.0 else -sag)


def spherometer_radius(reading: float, foot_radius: float, ball: float = 0.0) -> float:
    """Radius [m] of the face (+ dome, - dish) from a reading [m]: (h^2 + a^2)/(2h), less the ball for a dome.

    For a dish the ball is added in size; the other way round is a common mistake.
    """
    size = (reading**2 + foot_radius**2) / (2.0 * abs(reading))
    return size - ball if reading > 0.0 else -(size + ball)


def wave_reading(amplitude: float, wavelength: float, length: float) -> float:
    """What three pads in line, length/2 apart, read on a crest of a wave: A (1 - cos(pi length/wavelength)).

    Lengths in m; the pads stand along the way that crosses the waves.
    """
    return amplitude * (1.0 - cos(pi * length / wavelength))


def bands(height: float, wavelength: float) -> float:
    """Interference bands in a difference of height [both m]: one for every half wave."""
    return height / (0.5 * wavelength)


def newton_radius(order: int, diameter: float, wavelength: float) -> float:
    """Radius of a ball [m] on a flat from the diameter [m] of its dark ring `order`: r^2 = order lambda R."""
    return (0.5 * diameter) ** 2 / (order * wavelength)
