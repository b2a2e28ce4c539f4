"""A run as its sections measure it: one pass over the frames, and what all sections share.

Each section of measures.json is a `Section` that lives beside its subject. It is given every frame
once, in order, and is then asked for its numbers and curves.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from analysis.chains.bonds import ROOM_TEMPERATURE_K, BondRule
from analysis.chains.bundles import chain_tangents, find_bundles
from analysis.chains.groups import Chains, find_chains
from analysis.chains.magnetisation import director
from analysis.chains.series import ChainSeries
from analysis.chains.shapes import SPANNING
from analysis.chains.structures import bond_survival, independent_structures
from analysis.chains.time_series import TimeSeries, time_series
from analysis.chains.turning import moment_structures
from analysis.common.arrays import Floats, Integers
from analysis.files.curve import Curve
from analysis.trajectory.cycles import turning_frames
from analysis.trajectory.run import Run
from analysis.trajectory.stages import (
    Stage,
    evenly,
    field_direction,
    field_series,
    last_stage,
)
from analysis.uncertainty.estimate import Estimate

DETAILED_FRAMES = 24
DETAILED_PARTICLES = 48_000
MOST_DETAILED = 64
"""Bending, bundles, slits and columns take long: so many of the averaged frames are looked at, of
small films as many more as hold so many particles: what is rare, such as bundles, is in few."""


def temperature_of(run: Run) -> float:
    """Return the temperature of a run in K, that of a room where the file records none."""
    return float(run.derived.get("temperature_k") or ROOM_TEMPERATURE_K)


def spread_out(frames: Integers, most: int) -> set[int]:
    """Return at most so many of the frames, evenly spread, the last one included."""
    chosen = np.linspace(0, len(frames) - 1, min(most, len(frames))).round().astype(int)
    return {int(frames[k]) for k in chosen}


@dataclass(frozen=True)
class Frame:
    """One frame with its chains.

    Attributes
    ----------
    run : Run
        The trajectory: sizes, patch, times.
    number : int
        Which frame it is, from 0 on.
    positions : (N, 3) array
        Centres in m.
    moments : (N, 3) array or None
        Moments in A m2, None where the file has none.
    chains : Chains
        Its chains by the rule of the run.
    averaged, detailed : bool
        Whether it is one of the averaged frames, and one of those of them that are looked at in
        detail.
    present : (N,) array or None
        Which particles of the run they are, where frames hold a cut-out; None: all.
    """

    run: Run
    number: int
    positions: Floats
    moments: Floats | None
    chains: Chains
    averaged: bool
    detailed: bool
    present: Integers | None = None

    @cached_property
    def diameters(self) -> Floats:
        """Return the diameters in m, (N,)."""
        own = self.run.diameters
        return own if self.present is None else own[self.present]

    @property
    def bonds(self) -> Integers:
        """Return the bonded pairs by the numbers that particles have in all frames, (B, 2)."""
        return self.chains.bonds if self.present is None else self.present[self.chains.bonds]

    @property
    def group(self) -> Integers:
        """Return the group of each particle of the run, (run.count,); absent ones are alone."""
        if self.present is None:
            return self.chains.group
        alone = len(self.chains.size) + np.arange(self.run.count)
        alone[self.present] = self.chains.group
        return alone

    @cached_property
    def tangents(self) -> Floats:
        """Return the direction of the chain at each particle, (N, 3); zero without moments."""
        if self.moments is None:
            return np.zeros_like(self.positions)
        return chain_tangents(self.positions, self.moments, self.run.sides, self.chains)

    @cached_property
    def bundle(self) -> Integers:
        """Return the bundle of each particle, (N,), -1 for none; see ``find_bundles``."""
        return find_bundles(
            self.positions, self.tangents, self.diameters, self.run.sides, self.chains
        )


@dataclass(frozen=True)
class MeasuredRun:
    """What all sections of one run share; series and bonds are complete after ``frames``.

    Attributes
    ----------
    run, rule : Run, BondRule
        The trajectory and the rule that tells a bond.
    field : (frames, 3) array
        Field at every frame in T.
    stage : Stage
        The averaged frames.
    by_field : bool
        Whether the direction of the chains is that of the field, rather than their director.
    series : ChainSeries
        Chain numbers of every frame.
    bonds : list of (B, 2) arrays
        Bonded pairs of the averaged frames.
    """

    run: Run
    rule: BondRule
    field: Floats
    stage: Stage
    by_field: bool
    series: ChainSeries
    bonds: list[Integers] = dataclass_field(default_factory=list)

    @classmethod
    def of(cls, run: Run, rule: BondRule, from_time: float | None = None) -> MeasuredRun:
        """Choose stage and directions of a run; ``from_time`` in s is where averages begin."""
        vectors = field_series(run)
        if run.is_sampled and from_time is not None:
            raise ValueError("from_time must be left out: a sampled run knows no times.")
        stage = last_stage(run, vectors, from_time)
        if run.is_sampled:
            stage = evenly(run, stage)
        by_field = field_direction(run, vectors)
        reference = by_field
        if reference is None and run.has_moments:
            chains = _chains(run, rule, run.positions(-1), run.moments(-1), run.diameters_of(-1))
            several = chains.size > 1
            reference = director(chains.axis[several], chains.size[several].astype(np.float64))
        along = field_direction(run, vectors, zero_too=True)
        series = ChainSeries(run.frames, reference, along if along is not None else reference)
        series.mixed = run.is_sampled and run.rest.get("reached") is True
        if run.derived.get("core_moment_am2"):  # beads that the field magnetises
            series.saturation = run.moment_magnitudes
        turning = turning_frames(run, stage.swing, vectors)
        if turning is not None:
            series.turning, series.axis = turning
        return cls(run, rule, vectors, stage, by_field is not None, series)

    def frames(self) -> Iterator[Frame]:
        """Read all frames once, in order, and take each into series and bonds."""
        averaged = set(self.stage.frames.tolist())
        most = min(MOST_DETAILED, DETAILED_PARTICLES // max(1, self.run.count))
        detailed = spread_out(self.stage.frames, max(DETAILED_FRAMES, most))
        for number in range(self.run.frames):
            frame = self.frame(number, number in averaged, number in detailed)
            if frame.averaged:
                self.bonds.append(frame.bonds)
            yield frame

    def frame(self, number: int, averaged: bool = False, detailed: bool = False) -> Frame:
        """Read one frame with its chains and take it into the series."""
        run = self.run
        positions = run.positions(number)
        moments = run.moments(number) if run.has_moments else None
        present = run.present(number)
        if self.series.saturation is not None and run.moment_magnitudes is not None:
            self.series.saturation = run.held_of(run.moment_magnitudes, number)
        chains = _chains(run, self.rule, positions, moments, run.diameters_of(number))
        self.series.add(number, chains, moments, present)
        return Frame(run, number, positions, moments, chains, averaged, detailed, present)

    @property
    def axis(self) -> Floats | None:
        """Return the direction of the chains, (3,), None where it is not known."""
        return self.series.reference if self.run.has_moments else None

    @cached_property
    def structures(self) -> float | None:
        """Return how many independent structures the averaged frames hold, None if unknown."""
        times = self.run.times[self.stage.frames]
        life = bond_survival(self.bonds, times, self.run.count)
        found = independent_structures(life, float(times[-1] - times[0]))
        return 1.0 if found is None and len(times) == 1 else found

    @cached_property
    def time_series(self) -> TimeSeries:
        """Return what is known at every frame."""
        return time_series(self.run, self.series, self.field)

    @cached_property
    def endless(self) -> bool:
        """Whether so many chains of a sampled film have no ends that their lengths mean nothing."""
        share = self.average("spanning_share").value if self.run.is_sampled else None
        return (share or 0.0) >= SPANNING

    def average(self, name: str) -> Estimate:
        """Return the average of one chain number over the averaged frames."""
        return self.series.average(name, self.stage.frames, self.structures)

    def average_of_moments(self, name: str) -> Estimate:
        """Return the average of one number of moments, which turn on their own."""
        field = float(np.linalg.norm(self.stage.field))
        structures = moment_structures(self.run, name, self.stage.frames, field)
        return self.series.average(name, self.stage.frames, structures)


def _chains(
    run: Run, rule: BondRule, positions: Floats, moments: Floats | None, diameters: Floats
) -> Chains:
    """Return the chains of one frame by a rule."""
    return find_chains(
        positions,
        moments,
        diameters,
        run.sides,
        bond_distance=rule.distance,
        bond_alignment=rule.alignment,
        bond_energy=rule.energy,
    )


class Section(ABC):
    """A section of measures.json; its class is called with the run that it is to measure.

    Attributes
    ----------
    name : str
        Its key in measures.json.
    averages : bool
        Whether its numbers are averages over the averaged frames, which are warned about where
        these hold too few independent samples.
    drawn : list of Curve
        What ``curves`` returns; ``numbers`` adds to it.
    """

    name: ClassVar[str]
    averages: ClassVar[bool] = True

    def __init__(self, seen: MeasuredRun) -> None:
        """Keep the run; frames come later."""
        self.seen = seen
        self.drawn: list[Curve] = []

    def add(self, frame: Frame) -> None:  # noqa: B027 - some sections need no frames of their own
        """Take in one frame."""

    @abstractmethod
    def numbers(self, warnings: list[str]) -> Any:
        """Return the section once all frames are in; reasons for what is missing join warnings."""

    def curves(self) -> list[Curve]:
        """Return the curves behind the numbers; asked for after these."""
        return self.drawn
