"""Invented tracks: a walker's way round corners and arcs, read every so far, with jitter."""

import numpy as np
from lynchet.algorithms.readings import Readings

CORNER = complex(430000, 5900000)


def walked(vertices, interval):
    """Places every `interval` along a way (complex), distance to each and to the vertices."""
    vertices = np.asarray(vertices, complex)
    way = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(vertices)))])
    at = np.arange(0, way[-1] + 1e-9, interval)
    place = np.interp(at, way, vertices.real) + 1j * np.interp(at, way, vertices.imag)
    return place, at, way


def zigzag(lines, length, separation, interval, arcs=False):
    """A zigzag: places, distances walked, and the distance to each traverse's start and end."""
    vertices, ends = [], []
    for k in range(lines):
        up = k % 2 == 0
        for end in (0, length) if up else (length, 0):
            ends.append(len(vertices))
            vertices.append(k * separation + 1j * end)
        if arcs and k < lines - 1:
            turn = np.linspace(0, np.pi, 62)[1:-1]
            middle = (k + 0.5) * separation + 1j * (length if up else 0)
            around = -np.cos(turn) + 1j * np.sin(turn) * (1 if up else -1)
            vertices += list(middle + separation / 2 * around)
    place, at, way = walked(vertices, interval)
    return place, at, way[ends[::2]], way[ends[1::2]]


def jittered(place, sigma, seed=0, turn=0.0):
    """Places with position noise, turned by degrees."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, sigma, len(place)) + 1j * rng.normal(0, sigma, len(place))
    return place * np.exp(-1j * np.radians(turn)) + noise


def readings(place, **more):
    """Readings at places; no channel matters."""
    place = place + CORNER
    return Readings.build(x=place.real, y=place.imag, values=np.zeros(len(place)), **more)
