"""All comparisons, in the order of the page."""

from runs_demo.agreement import lengths, magnetisation

COMPARISONS = {one.NAME: one for one in (lengths, magnetisation)}
