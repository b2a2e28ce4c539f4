"""Slots of a film on the card that the flow of all carries: their places, forces and moves.

No checks by design.
"""

from numba.extending import register_jitable

from sim.kernels.card.layout import BUFFER, moment_after, row_at
from sim.kernels.card.motion import surroundings_of
from sim.kernels.card.tools import LANES, load_words, of_bits, rounded, wrapped


@register_jitable(forceinline=True)
def place_words(film, i):
    """Return the words of a slot's place in the rows in use, and where they stand."""
    at = row_at(film, film.flags[BUFFER], i)
    return load_words(film.rows, at), at


def slot_forces_of(choice):
    """Return the function of a thread that gives place, force and field of its slot.

    From the sums that are held over pairs and mesh, with all that is around.
    """
    lane, surrounded = LANES[choice.real], surroundings_of(choice)

    @register_jitable(forceinline=True)
    def slot_forces(film, held, i):
        place, at = place_words(film, i)
        mx, my, mz, _ = load_words(film.rows, at + moment_after(film))
        force, field = surrounded(
            film, lane(place[2]) * film.unit_z, of_bits(place[3]),
            (of_bits(mx), of_bits(my), of_bits(mz)),
            (lane(held[0, i]), lane(held[1, i]), lane(held[2, i])),
            (lane(held[3, i]), lane(held[4, i]), lane(held[5, i])),
        )  # fmt: skip
        return place, force, field

    return slot_forces


def moved_of(choice):
    """Return the function of a thread that moves a place by a way in double precision."""
    lane = LANES[choice.real]

    @register_jitable(forceinline=True)
    def moved(film, place, way):
        return (
            wrapped(place[0], rounded(lane(way[0] * film.back_x))),
            wrapped(place[1], rounded(lane(way[1] * film.back_y))),
            wrapped(place[2], rounded(lane(way[2] * film.back_z))),
        )

    return moved
