"""What a reading is worth whose axes may stand elsewhere than believed: open-loop ones."""

from __future__ import annotations

import numpy as np

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.reading import Reading
from autocell.setting import Setting

_SOME = 100
"""Members asked: more would tell the same."""


def misplaced_w(model: BenchModel, z: FloatArray, reading: Reading) -> float:
    """Standard uncertainty of a reading, W, that comes from those of the positions of its axes.

    Of each axis half the difference in power between one standard uncertainty on either side, as
    benches ``z`` (M, D) have it, in the root mean square over the benches; the axes in quadrature.
    It is taken as a difference and not as a slope, since an edge may lie in between.
    """
    here = reading.setting.as_array()
    doubtful = [(model.bench.axes[name].effect, u) for name, u in reading.position_u if u > 0.0]
    places = [
        Setting.from_array(here + sign * u * np.array(effect))
        for effect, u in doubtful
        for sign in (1.0, -1.0)
    ]
    power_w = model.predict(z[:_SOME], places).power_w
    halves = 0.5 * (power_w[:, 0::2] - power_w[:, 1::2])
    return float(np.sqrt(np.sum(np.mean(halves**2, axis=0))))
