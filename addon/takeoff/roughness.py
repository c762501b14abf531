# SPDX-License-Identifier: GPL-3.0-or-later
"""Bodies whose corners lie a little off the shape that was meant, as those of scanned, remeshed and merged models do.

How far off they lie no file says. It is tried on the bodies that look rough and where something could not be read: of
several guesses the one counts with which most ends are read, and of equal ones the least.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from ..fields.messages import Length, Message, Name, count_of, say
from ..geometry.frames import Floats
from ..geometry.outline_fit import off_known_outline
from ..geometry.sections import Outline, Section
from ..geometry.topology import Indices
from .finding import FoundEnds, find
from .legs import paired
from .surface import Surface, part, roughened

_GUESSES_MM = 0.002, 0.01, 0.04, 0.08
_WORTH_TRYING = 8.0
"""How many times more than its typical unevenness a body may be taken to be rough by."""
_LEAST_MOVED_MM = 0.005
_MORE_THAN_ROUGH = 10.0
"""How many times further than the surface is rough corners are off where they were moved on purpose."""
_MOST_UNLIKE = 0.03
"""Share of their size by which outlines that were meant to be one may be apart."""
_WELL_READ = 3
_BEST = 2 * _WELL_READ
"""Of a tube with two straight ends and known outlines."""
_STRAIGHT = 0.5
"""Share of a bore along which it runs straight at least, if nothing crosses it."""
_SLIGHT = np.cos(np.radians(5.0))
"""Sides of a flat facet that are bent less than this may be one side."""
_TOLD_MM = 0.025
"""Less changes no size that calipers can tell, and gives nobody anything to do."""
_ALIKE = 0.02
_LEAST_CUBED = 200
"""Triangles that a tube made of cubes has at least: a square one, one cube thick."""
_LEAST_BENT = 0.3
_LEAST_BACK = 0.1
"""Share of the slight bends that go the other way: on a curve that was meant nearly none do."""


def evened(surface: Surface) -> tuple[FoundEnds, dict[int, float]]:
    """What is found on a surface with its rough bodies taken as rough; and of these how far off, in mm, corners lie."""
    found = find(surface)
    scores = _scores(found)
    crooked, drawn = _crookedness(found)
    suspects = np.flatnonzero((scores != _BEST) | (crooked > 0))
    if not suspects.size:
        return found, {}
    off = _unevenness(surface, suspects)
    moved = crooked[suspects] > np.maximum(_LEAST_MOVED_MM, _MORE_THAN_ROUGH * off)
    off = np.where(moved, np.maximum(crooked, drawn)[suspects], off)
    rough = suspects[off > 0]
    if not rough.size:
        return found, {}
    rims = np.bincount(np.array(found.bodies, int), minlength=len(scores))
    noise, left = np.zeros(len(surface.body_names)), rough
    most = np.zeros(len(noise))
    most[suspects] = np.maximum(_GUESSES_MM[0], _WORTH_TRYING * off)
    for guess in (*(np.full(len(noise), guess) for guess in _GUESSES_MM), crooked / 4):
        tried = left[(guess[left] > noise[left]) & (guess[left] <= most[left])]
        if not tried.size:
            continue
        rest = part(surface, tried)
        guessed = _scores(find(roughened(rest, np.maximum(rest.noise, guess[tried][rest.bodies]))))
        better = tried[guessed > scores[tried]]
        scores[tried], noise[better] = np.maximum(guessed, scores[tried]), guess[better]
        left = left[(scores[left] != _BEST) | (rims[left] > 2)]
    if noise.any():
        found = _with_one_section(find(roughened(surface, np.maximum(surface.noise, noise[surface.bodies]))), noise)
    return found, dict(zip(rough.tolist(), off[off > 0].tolist(), strict=True))


def _with_one_section(found: FoundEnds, noise: Floats) -> FoundEnds:
    """The ends of each tube that is rough by ``noise`` (bodies,) with the mean of their sizes."""
    profiles = list(found.profiles)
    ends: dict[int, list[int]] = defaultdict(list)
    for end, body in enumerate(found.bodies):
        ends[body].append(end)
    for body, pair in ends.items():
        if len(pair) == 2 and noise[body]:
            first, second = (profiles[end].section for end in pair)
            outer = _mean(first.outer, second.outer, 4 * noise[body])
            bore = _mean(first.bore, second.bore, 4 * noise[body])
            if outer and bore:
                for end in pair:
                    profiles[end] = replace(profiles[end], section=Section(outer, bore))
    return replace(found, profiles=profiles)


def _mean(outline: Outline, other: Outline, most: float) -> Outline | None:
    """The mean of two outlines of one shape that differ by no more than ``most`` mm; None if they are not such."""
    sizes = np.array([(line.width, line.depth, line.corner_radius) for line in (outline, other)])
    alike = outline.shape == other.shape != "free" and outline.centre == other.centre
    if not alike or np.ptp(sizes, axis=0).max() > most:
        return None
    width, depth, radius = sizes.mean(axis=0).tolist()
    return replace(outline, width=width, depth=depth, corner_radius=radius)


def notes_of_roughness(found: FoundEnds, off: dict[int, float]) -> tuple[Message, ...]:
    """The bodies on which something was read and that are rough enough to matter, or made of cubes, in a sentence for
    each mesh."""
    surface, read = found.surface, sorted({*found.bodies, *(end.body for end in found.plain)})
    cubes = _cubes(surface, read)
    notes = _said_of(
        surface,
        {body: off[body] for body in read if body in off and off[body] > _TOLD_MM and body not in cubes},
        "The surface of {} is uneven by about {}; sizes were read through the middle of its corners.",
        "The surfaces of {} and {} are uneven by up to about {}; sizes were read through the middle of their corners.",
    )
    return notes + _said_of(
        surface,
        cubes,
        "{} is made of cubes of {}, as remeshing in blocks leaves it; its sizes are right to one cube at best.",
        "{} and {} are made of cubes of up to {}, as remeshing in blocks leaves them; their sizes are right to one cube"
        " at best.",
    )


def _said_of(surface: Surface, off: dict[int, float], of_one: str, of_several: str) -> tuple[Message, ...]:
    """A sentence for each mesh with the most of how many mm its bodies are ``off`` by."""
    by_mesh: dict[int, list[int]] = defaultdict(list)
    for body in off:
        by_mesh[int(surface.body_meshes[body])].append(body)
    notes = []
    for bodies in by_mesh.values():
        name, most = Name(surface.body_names[bodies[0]]), Length(max(off[body] for body in bodies))
        more = count_of(len(bodies) - 1, "body beside it", "bodies beside it")
        said = say(of_one, name, most) if len(bodies) == 1 else say(of_several, name, more, most)
        notes.append(say("{} Measure before you print.", said))
    return tuple(notes)


def _cubes(surface: Surface, bodies: list[int]) -> dict[int, float]:
    """How wide, in mm, the cubes are of which bodies are made: all their triangles are halves of one square."""
    count = len(surface.body_names)
    sizes = np.maximum(np.bincount(surface.bodies, minlength=count), 1)
    squares = 2 * np.bincount(surface.bodies, surface.areas, count) / sizes
    alike = np.abs(2 * surface.areas - squares[surface.bodies]) < _ALIKE * squares[surface.bodies]
    mostly = np.bincount(surface.bodies, alike, count) > (1 - _ALIKE) * sizes
    cubes = {}
    for body in bodies:
        if mostly[body] and sizes[body] >= _LEAST_CUBED:
            corners = surface.corners(np.flatnonzero(alike & (surface.bodies == body)))
            sides = np.sort(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
            width = float(np.sqrt(squares[body]))
            if (np.abs(sides / width - (1, 1, np.sqrt(2))) < _ALIKE).all():
                cubes[body] = width
    return cubes


def _scores(found: FoundEnds) -> Floats:
    """How much is read on each body: three for a rim, one less if either of its outlines is not a known shape, one less
    if its bore does not run straight on; one for an end without a rim."""
    scores = np.zeros(len(found.surface.body_names))
    straight = found.runs.straight > _STRAIGHT * found.runs.reach
    for body, profile, on in zip(found.bodies, found.profiles, straight.tolist(), strict=True):
        scores[body] += _WELL_READ - 1 - ("free" in (profile.section.outer.shape, profile.section.bore.shape)) + on
    for end in found.plain:
        scores[end.body] += 1
    return scores


def _crookedness(found: FoundEnds) -> tuple[Floats, Floats]:
    """(bodies,) twice: how far off the outlines that were meant, in mm, the corners of rims lie, as those of decimated
    models do, and how far off them their chords are: off a known outline, or elsewhere than at the tube's other end."""
    off, drawn = np.zeros((2, len(found.surface.body_names)))
    free = np.array(["free" in (end.section.outer.shape, end.section.bore.shape) for end in found.profiles], bool)
    for end in np.flatnonzero(free).tolist():
        for line in (found.profiles[end].section.outer, found.profiles[end].section.bore):
            if line.points is not None:
                body, (corners, chords) = found.bodies[end], off_known_outline(line.points)
                off[body], drawn[body] = max(off[body], corners), max(drawn[body], chords)
    for leg in paired(found.profiles, found.bodies, found.runs) if free.any() else []:
        if leg.last >= 0 and (free[leg.first] or free[leg.last]):
            off[leg.body] = max(off[leg.body], _unlike(leg.section, found.profiles[leg.last].section))
    return off, drawn


def _unlike(section: Section, other: Section) -> float:
    """How far apart the outlines of a tube's ends are, in mm, where they were most likely meant to be one; else 0."""
    sizes = np.array([[sorted((line.width, line.depth)) for line in (end.outer, end.bore)] for end in (section, other)])
    apart = float(np.ptp(sizes, axis=0).max()) / 2
    return apart if apart < _MOST_UNLIKE * section.outer.width else 0.0


def _unevenness(surface: Surface, bodies: Indices) -> Floats:
    """(n,): how far off the plane of its neighbour a triangle of each body typically lies, in mm, where the body is
    rough; 0 where its flats are flat and its curves curved."""
    place = np.full(len(surface.body_names), -1)
    place[bodies] = np.arange(len(bodies))
    half = np.flatnonzero((surface.twins > np.arange(len(surface.twins))) & (np.repeat(place[surface.bodies], 3) >= 0))
    a, b = half // 3, surface.twins[half] // 3
    slight = np.einsum("ij,ij->i", surface.normals[a], surface.normals[b]) > _SLIGHT
    half, a, b = half[slight], a[slight], b[slight]
    twin = surface.twins[half]
    apex = surface.points(surface.starts[3 * b + (twin + 2) % 3])
    height = np.einsum("ij,ij->i", apex - surface.points(surface.starts[half]), surface.normals[a])
    owner, bent = place[surface.bodies[a]], np.abs(height) > 2 * surface.noise[a]
    count = len(bodies)
    back = bent & (height > 0)
    pairs, bends, backs = (np.bincount(owner, chosen, count) for chosen in (np.ones(len(owner)), bent, back))
    rough = (bends > _LEAST_BENT * pairs) & (np.minimum(backs, bends - backs) > _LEAST_BACK * bends)
    order = np.lexsort((np.abs(height), owner))
    middle = np.searchsorted(owner[order], np.arange(count)) + pairs.astype(np.int64) // 2
    off = np.zeros(count)
    off[rough] = np.abs(height)[order[middle[rough]]]
    return off
