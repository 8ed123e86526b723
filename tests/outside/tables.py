"""Printed tables that more than one test holds the code to."""

# P L2 / EI, fall / L, shortening / L, end slope (rad) of a cantilever with a dead transverse end load.
# Bisshopp & Drucker, Q. Appl. Math. 3 (1945); printed table: Mattiasson, Int. J. Numer. Meth. Eng. 17 (1981),
# value from memory, recomputed from the elliptic-integral formula.
CANTILEVER = [
    (0.25, 0.08275, 0.00412, 0.12429),
    (0.5, 0.16214, 0.01592, 0.24453),
    (1, 0.30172, 0.05643, 0.46135),
    (2, 0.49346, 0.16064, 0.78175),
    (3, 0.60325, 0.25442, 0.98602),
    (5, 0.71379, 0.38763, 1.21537),
    (10, 0.81061, 0.55500, 1.43029),
]
