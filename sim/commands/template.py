"""The commented parameter file that `chainfilm new` writes."""

from __future__ import annotations

__all__ = ["TEMPLATE"]

TEMPLATE = """\
# Parameter file of chainfilm. Lines that start with # are comments.
# A quantity is a text with its unit, such as "12 nm", "25 mT", "1.5 mPa s" or "25 degC".
# Keys that are commented out show alternatives or defaults.
#   chainfilm check FILE   says what to expect, without a simulation
#   chainfilm run FILE     simulates, measures and draws

title = "curtain film, first chains"

[particles]
material = "magnetite"          # magnetite, or custom with the next three keys
# magnetisation = "446 kA/m"    # of the cores; each of these overrides the named material
# anisotropy = "11 kJ/m^3"      # sets how fast a moment turns inside its core
# density = "5180 kg/m^3"       # of the cores
# shell_density = "900 kg/m^3"  # of the shells
# attempt_time = "1 ns"         # of the turn of a moment inside its core
moment = "blocked"              # blocked: fixed in the particle; superparamagnetic: turns inside;
                                # multicore: of a bead with small cores, magnetised by the field
# bead_diameter = "100 nm"      # multicore: median of the beads, which then have the size_spread
# magnetic_share = 0.2          # multicore: part of a bead that its cores, of core_diameter, fill
core_diameter = "20 nm"         # median, 2 nm to 1 um; or, without size_spread, a table of
                                # diameters and shares [["18 nm", 0.3], ["20 nm", 0.7]] or
                                # { file = "sizes.csv" } with such a pair a line
# size_basis = "number"         # what kind of median or share: number, or volume
size_spread = 0.1               # standard deviation of ln(diameter), 0 to 0.6; 0 is one size
# dead_layer = "0 nm"           # skin of the core that is not magnetic
shell_thickness = "2 nm"        # surfactant around the core
volume_fraction = 0.03          # of whole particles, core and shell, below 0.64; or one of
# core_volume_fraction = 0.0176 # of the cores alone
# fluid_saturation = "10 mT"    # saturation of the fluid, as suppliers state it

[carrier]
viscosity = "1.5 mPa s"         # of the liquid
temperature = "25 degC"         # -73 to 227 degC
# density = "800 kg/m^3"        # of the liquid, for buoyancy

[film]
thickness = "0.4 um"            # distance of the windows, more than the largest particle
width = ["2.0 um", "0.6 um"]    # periodic patch: one side (a square) or two (x, y); or
# count = 1900                  # the number of particles, which alone makes a square patch

[repulsion]
kind = "surfactant"             # surfactant, or soft_core
grafting_density = "0.3 nm^-2"  # surfactant molecules per area of core (kind surfactant)
# strength = "1 kT"             # energy at contact: soft cores, windows

[field]
strength = "30 mT"              # applied field outside the film, 0 to 10 T; or "24 kA/m", "300 Oe"
direction = [1, 0, 0]           # x and y lie in the film, z is across it; or
# tilt = "0 deg"                # from the film plane, with
# azimuth = "0 deg"             # from x towards y
# gradient = "10 T/m"           # steady change of the field with the place, along the next;
                                # or all of dB_a/dx_b: [["-5 T/m", "0 T/m", ...], ...]
# gradient_direction = [0, 0, 1] # axis of the gradient
# Instead of strength, a programme of steps; the last field stays:
# [[field.steps]]
# kind = "ramp"                 # ramp: from the field before (zero at first); hold: at once
# duration = "50 us"
# strength = "30 mT"
# direction = [1, 0, 0]         # of this step; left out, it is that of [field]
# [[field.steps]]
# kind = "rotate"               # rotate: turns about the axis; oscillate: along its direction
# duration = "1 ms"
# strength = "30 mT"
# frequency = "5 kHz"           # periods a second (oscillate, rotate)
# phase = "0 deg"               # angle at the start of the step (oscillate, rotate)
# axis = [0, 0, 1]              # normal of the plane of turning (rotate)

# Instead of [field], magnets and coils, whose field at [cell] place drives the run:
# [[magnets]]
# kind = "sphere"               # sphere, block, disc, ring, soft_iron_sphere; loop, uniform: coils;
                                # table: a measured field
# position = ["0 mm", "0 mm", "-8 mm"] # of its centre; z = 0 is the middle of the film
# direction = [0, 0, 1]         # of the magnetisation, or of a uniform field
# remanence = "1.2 T"           # as suppliers state it; or
# energy_product = "42 MGOe"    # (BH)max of its grade; not of alnico, whose curve is bent
# diameter = "10 mm"            # sphere, disc, ring, loop
# inner_diameter = "5 mm"       # hole of a ring
# height = "5 mm"               # disc, ring; along z before it is turned
# sides = ["10 mm", "10 mm", "5 mm"] # block
# current = "20 A"              # loop: current times turns
# strength = "30 mT"            # uniform
# file = "field.csv"            # table: x (mm), y (mm), z (mm), Bx (mT), By (mT), Bz (mT), a grid
# permeability = 1000.0         # soft_iron_sphere, relative
# saturation = "2.1 T"          # soft_iron_sphere
# turn = "0 deg"                # by which it is turned, with its magnetisation
# turn_axis = [0, 1, 0]         # about this axis through its centre
# repeat = "once"               # once, line, grid or ring: equal magnets around position
# copies = 4                    # line, ring; grid: in a row along x
# rows = 3                      # grid: along y
# step = ["12 mm", "12 mm", "0 mm"] # line: from one to the next; grid: distances along x and y
# ring_diameter = "30 mm"       # ring: of the circle of centres
# moves_with = 1                # or steps: it moves with that of this number
# Steps in time, of the magnet above them; what they do not name stays as it is:
# [[magnets.steps]]
# motion = "slide"              # hold, slide, turn; coils also oscillate, ramp (of their current)
# duration = "1 ms"
# start = "0 ms"                # left out: at the end of the step before
# position = ["0 mm", "0 mm", "-12 mm"] # slide: where it ends
# axis = [0, 1, 0]              # turn: about this axis, right-handed
# pivot = ["0 mm", "0 mm", "-8 mm"] # turn: a point on the axis; left out, its own position
# rate = "2 kHz"                # turn: turns a second; or
# angle = "90 deg"              # turn: in the whole step
# frequency = "2 kHz"           # oscillate: periods a second
# phase = "0 deg"               # oscillate: angle at the start of the step
# share = 0.5                   # ramp: of the current, at the end of the step

[cell]
# width = ["20 mm", "20 mm"]    # of the cell over the magnets, its centre at x = y = 0
# place = ["0 mm", "0 mm"]      # where on it the patch lies

[dipoles]
sum = "mesh"                    # mesh: all forces; exact: small systems; cutoff: approximate
tolerance = 1e-3                # relative error of field and force (mesh, exact)
# cutoff_diameters = 6.0        # range of cutoff; the patch must be twice as wide

[run]
duration = "0.2 ms"             # simulated time
time_step = "auto"              # auto, or a time such as "5 ns"
precision = "float32"           # of pair arithmetic: float32 or float64
seed = 7                        # same seed, same run
# dynamics = "brownian"         # brownian, or langevin: with inertia, in far shorter steps, or
                                # monte_carlo: samples the film at rest; no duration, no time_step
# mass_factor = 1.0             # masses over the true ones (dynamics langevin)
# structures = 20               # independent ones after which a sampled run ends (monte_carlo)
# sweeps = 20000                # its limit, moves a particle (monte_carlo)
# wall_time = "auto"            # its limit on the clock, such as "10 min" (monte_carlo)

[output]
frames = 200                    # snapshots after the start, evenly spaced

[start]
kind = "random"                 # random: anywhere without overlap; lattice; file: end of a run
# path = "first_chains/run.h5"  # the run that kind file starts from

[windows]
hindered_mobility = false       # true: particles near a window move more slowly

[van_der_waals]
# hamaker = "33 zJ"             # attraction of the cores across the liquid; left out: none
# smallest_gap = "0.3 nm"       # cores nearer than this count as touching

[electrostatics]
# surface_charge = "0 nm^-2"    # elementary charges per outer surface; 0: none
# debye_length = "5 nm"         # range of the charges; or
# salt = "1 mM"                 # concentration of a salt with single charges
# permittivity = 78.4           # of the liquid; 78.4 is water

[gravity]
# acceleration = "9.81 m/s^2"   # weight less buoyancy; left out: none
# direction = [0, 0, -1]        # where things fall; [0, -1, 0]: the cell stands upright

[optics]
# wavelengths = ["532 nm", "633 nm"] # in vacuum, for the hand-off and the far field; they and
# carrier_index = 1.43          # the refractive indices change no simulation; this of the liquid
# shell_index = 1.45            # of the shells
# matrix_index = 1.59           # of what fills a multicore bead between its cores: polystyrene
# core_index = [2.35, 0.09]     # n and k of the cores, one pair or one a wavelength; left out:
                                # magnetite after Querry (1985)
# outer_index = 1.0             # of the medium outside the windows; 1 is air
# numerical_aperture = 0.9      # of what looks at the film, at most outer_index

[bonds]
distance = 1.3                  # bonded: nearer than this many mean diameters, and
alignment = 0.5                 # head to tail, product of the cosines above this
# kind = "energy"               # or bonded: dipolar energy of the pair below this
# energy = "auto"               # half the contact energy; or a limit such as "-4 kT"

# Values to vary with `chainfilm sweep`; a single run ignores this table.
# [sweep]
# "field.strength" = ["5 mT", "10 mT", "20 mT", "40 mT"]
# replicas = 4
"""
"""Text of a parameter file that names every key and loads as it stands."""
