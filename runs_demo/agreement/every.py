"""All comparisons, in the order of the page."""

from runs_demo.agreement import columns, decay, growth, lengths, magnetisation, trends, turning

COMPARISONS = {
    one.NAME: one for one in (lengths, growth, magnetisation, columns, trends, turning, decay)
}
