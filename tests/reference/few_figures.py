"""Runs that draw few of their figures: to draw all of them takes longer than the runs of tests."""

from analysis.pictures import all as pictures


def draw_only(monkeypatch, *names):
    """Let runs draw the figures of these names alone, those of them that their field calls for."""
    few = tuple(figure for figure in pictures._ALL if figure.name in names)
    assert {figure.name for figure in few} == set(names)
    monkeypatch.setattr(pictures, "_ALL", few)
