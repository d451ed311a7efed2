"""What the light does between two concave mirrors: pure functions on arrays, no I/O, no state.

Coordinates: the vertex of the entrance mirror M1 is the origin, z points to the far mirror M2,
whose vertex lies at z = spacing. Everything is in metres, radians and fractions of the power
that arrives at the entrance hole.
"""
