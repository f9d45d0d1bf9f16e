"""Pure computing on NumPy arrays: no I/O (but two data files of its own), no clock, no settings.

::

    pointwise              run a kernel over numbers or arrays, block by block
    saturation, wet_bulb,  the arithmetic of moist air, as kernels
    air_kernels
    air                    moist air: dew and frost point, humidity ratio, GPP, wet bulb, ... and their inverses
    air_changes            air warmed, cooled, mixed; how warm it must be for an RH or EMC
    wood                   EMC, its inverse, slopes and hysteresis band;  products: the same of plywood
    derived                the list of derived quantities that everyone else goes by, and one pass for all of them
    species, movement      woods by name; change of width, gaps, expansion space
    diffusivity,           moisture through a board's thickness: coefficients, numerics, a board in its room,
    sheet_solver, board,   when it settles
    settling
    mould, surface, salts  mould index; condensation margin; humidity over saturated salts
    uncertainty            from a sensor's accuracy to that of dew point, GPP and EMC

METHODS.md beside this file has every equation, its source, and what it was checked against.
"""
