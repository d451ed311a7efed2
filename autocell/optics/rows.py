"""How a cell and its input beam are laid out as one column of numbers for the kernel, and what the
kernel keeps of each arrival at a mirror."""

from __future__ import annotations

_MIRROR = (
    "radius_x_m",
    "radius_y_m",
    "aperture_radius_m",
    "reflectivity",
    "tilt_x_rad",
    "tilt_y_rad",
    "decentre_x_m",
    "decentre_y_m",
)
_BEAM = (
    "x_m",
    "y_m",
    "slope_x",
    "slope_y",
    "wavelength_m",
    "waist_x_m",
    "waist_y_m",
    "waist_distance_x_m",
    "waist_distance_y_m",
    "ellipse_angle_rad",
    "beam_quality",
)
_DETECTOR = (
    "radius_m",
    "distance_m",
    "x_m",
    "y_m",
    "acceptance_rad",
    "slope_x",
    "slope_y",
)

COLUMNS: tuple[tuple[str, str], ...] = (
    ("cell", "spacing_m"),
    *(("entrance_mirror", name) for name in _MIRROR),
    *(("far_mirror", name) for name in _MIRROR),
    *(("beam", name) for name in _BEAM),
    *(("detector", name) for name in _DETECTOR),
)
"""What a parameter column holds, from the top; three more follow for each hole: x, y, radius."""

M1 = 1
M2 = M1 + len(_MIRROR)
BEAM = M2 + len(_MIRROR)
DETECTOR = BEAM + len(_BEAM)
HOLES = DETECTOR + len(_DETECTOR)
"""First places of the two mirrors, the input beam, the detector and the first hole."""

SPOT_COLUMNS = (
    "x_m", "y_m", "z_m",
    "ux", "uy", "uz",
    "incidence_rad",
    "sxx", "sxy", "syy",
    "cxx", "cxy", "cyy",
    "arriving", "beyond_edge",
    "chord_m",
)  # fmt: skip
"""What is kept of each arrival at a mirror: where, the direction after it, the footprint, the
curvature of the wavefront after it, power."""

TALLY_COLUMNS = ("path_power", "passes", "passes_power", "path_length_m", "mean_passes")
"""What is kept of a whole beam: power on the detector, the pass that carries most of it, that
pass's power and path, and the mean pass weighted by power."""
