"""What kernels of the card are written with: those of the compiler, or of numba's simulator."""

# mypy: ignore-errors
import numba

if numba.config.ENABLE_CUDASIM:
    from sim.kernels.card.simulated import *  # noqa: F403
else:
    from sim.kernels.card.lanes import LANES  # noqa: F401, I001
    from sim.kernels.card.compiler import *  # noqa: F403
    from sim.kernels.card.queue import DirectTransforms, Queue, Transforms  # noqa: F401
