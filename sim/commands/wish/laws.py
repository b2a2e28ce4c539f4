"""Theory of the films of a wish: their parameters, the laws of `check`, and light by `analysis`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import tomli_w

from sim.commands.text import UsageError
from sim.commands.wish.bottle import fluids_of, tables_with
from sim.design.films import tables_of
from sim.design.quantities import Scaled
from sim.design.scan import Foretold
from sim.design.theory import Chains, foretell
from sim.design.wish import WishFile
from sim.sweeps.reading import Settings

if TYPE_CHECKING:
    from analysis.common.arrays import Floats
    from sim.parameters.types import Parameters


def foretold_films(wish: WishFile, quantities: Sequence[Scaled]) -> list[Foretold]:
    """Return what foretells a film with given settings: of the film's own fluid, then of others.

    Raises
    ------
    UsageError
        If a wish is for light whose index of the cores is not known.
    ParameterError
        If the ensemble cannot be read.
    """
    tables = tables_of(wish)
    for one in wish.wishes:
        if one.of.wavelength and math.isnan(index_known(wish, one.of.wavelength)):
            raise UsageError(
                f"{wish.name}: [wanted] {one.of.wanted.word} cannot be measured: the index of the "
                f"cores is not known at {1e9 * one.of.wavelength:g} nm; give [optics] core_index "
                f"or core_table in {wish.base.name}"
            )
    others = [tables_with(tables, wish.box, fluid) for fluid in fluids_of(wish)]
    return [_law(wish, one, quantities) for one in [tables, *others]]


def index_known(wish: WishFile, wavelength: float) -> float:
    """Return NaN where light of a wavelength meets cores whose index nobody knows."""
    some = Chains(2.0, 0.5, 0.0, 0.01, 0.5, 0.9)
    return light_law(wish.base, some, wavelength)[0]


def _law(wish: WishFile, tables: dict[str, Any], quantities: Sequence[Scaled]) -> Foretold:
    """Return what theory says of a film with these tables and given settings."""
    from sim.parameters.load import from_text

    name = str(Path(wish.base.folder) / wish.base.name)

    known: dict[tuple[Any, ...], Floats] = {}  # films are asked for again with each of their runs

    def foretold(settings: Settings) -> Floats:
        place = tuple(settings.items())
        if place not in known:
            known[place] = foretell(film(settings), quantities, light_law)
        return known[place]

    def film(settings: Settings) -> Parameters:
        found = tables
        for key in wish.box.keys:
            found = key.key.set(found, settings[key.key.path])
        return from_text(tomli_w.dumps(found), name)

    return foretold


def light_law(parameters: Parameters, chains: Chains, wavelength: float) -> tuple[float, float]:
    """Return retardance in m and the share of light passed; a `sim.design.theory.LightLaw`."""
    from analysis.optics.foretold import foretold_light
    from sim.files.record import resolved

    found = foretold_light(
        resolved(parameters),
        wavelength=wavelength,
        thickness=parameters.film.thickness,
        fraction=chains.fraction,
        core_share=chains.core_share,
        mean_length=chains.mean_length,
        order=chains.order,
        upright=chains.upright,
        closeness=chains.closeness,
    )
    return found or (math.nan, math.nan)


def known_of(foretold: Foretold, quantities: Sequence[Scaled]) -> Callable[[Settings], Floats]:
    """Return what gives the quantities that follow from a film alone, NaN for all others."""
    is_known = np.array([one.wanted.is_known for one in quantities])

    def known(settings: Settings) -> Floats:
        return np.where(is_known, foretold(settings), np.nan)

    return known
