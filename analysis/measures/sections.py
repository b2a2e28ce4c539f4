"""The sections that are measured in a run, in the order of measures.json.

A section of your own is a subclass of `Section` whose class is added here, or handed to
``analysis.measure``; nothing else needs to know it.
"""

from __future__ import annotations

from analysis.chains.alignment import AlignmentSection
from analysis.chains.measured_run import Section
from analysis.chains.section import ChainSection
from analysis.response.equilibration import EquilibrationSection
from analysis.response.magnetisation import MagnetisationSection
from analysis.response.relaxation import RelaxationSection
from analysis.response.rest.section import WayToRestSection
from analysis.response.stages import StagesSection
from analysis.spacing.section import SpacingSection

SECTIONS: tuple[type[Section], ...] = (
    EquilibrationSection,
    ChainSection,
    SpacingSection,
    AlignmentSection,
    MagnetisationSection,
    RelaxationSection,
    WayToRestSection,
    StagesSection,
)
