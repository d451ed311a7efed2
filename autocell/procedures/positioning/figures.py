"""How well an axis finds its targets from both sides, in the figures of ISO 230-2.

Formulas as in ISO 230-2:2014, clauses 3 and 8, quoted from memory. That standard measures with an
instrument beside the machine, over the whole travel; here a deviation is what the controller reads,
over a short piece of it, so that the figures tell what the controller sees of itself.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from autocell.belief.unknowns import FloatArray


@dataclass(frozen=True)
class Positioning:
    """Figures of one axis, m or rad, from m targets approached n times from each side.

    ``reversals`` are those at each target, (m,); ``reversal`` (B) is the largest of their sizes,
    ``mean_reversal`` their mean with its sign: negative where the axis stands further up after an
    approach from above. The rest: unidirectional repeatability from below (R↑) and above (R↓),
    bidirectional repeatability (R), mean bidirectional positional deviation (M), bidirectional
    systematic deviation (E) and accuracy (A).
    """

    reversals: tuple[float, ...]
    reversal: float
    mean_reversal: float
    repeatability_up: float
    repeatability_down: float
    repeatability: float
    mean_deviation: float
    systematic_deviation: float
    accuracy: float

    @classmethod
    def of(cls, up: FloatArray, down: FloatArray) -> Positioning:
        """From deviations, actual minus target position, of approaches from below and from above:
        (n, m) each, with n ≥ 2.

        x̄_i↑, x̄_i↓ are the means over the n approaches and s_i↑, s_i↓ their standard deviations
        (n − 1); B_i = x̄_i↑ − x̄_i↓ and x̄_i = (x̄_i↑ + x̄_i↓)/2. Then

            B = max |B_i|,  R↑ = max 4 s_i↑,  R↓ = max 4 s_i↓,
            R = max (2 s_i↑ + 2 s_i↓ + |B_i|, 4 s_i↑, 4 s_i↓),
            M = max x̄_i − min x̄_i,
            E = max (x̄_i↑, x̄_i↓) − min (x̄_i↑, x̄_i↓),
            A = max (x̄_i↑ + 2 s_i↑, x̄_i↓ + 2 s_i↓) − min (x̄_i↑ − 2 s_i↑, x̄_i↓ − 2 s_i↓),

        each largest and smallest taken over all targets.

        Raises ValueError for shapes that differ, or fewer than two approaches.
        """
        if up.shape != down.shape or up.ndim != 2 or len(up) < 2:
            raise ValueError(f"deviations {up.shape} and {down.shape}: (n, m) twice, n at least 2")
        mean_up, mean_down = up.mean(axis=0), down.mean(axis=0)
        s_up, s_down = up.std(axis=0, ddof=1), down.std(axis=0, ddof=1)
        reversals = mean_up - mean_down
        both = np.concatenate([mean_up, mean_down])
        two_s = 2.0 * np.concatenate([s_up, s_down])
        means = (mean_up + mean_down) / 2.0
        of_both = np.maximum(2.0 * (s_up + s_down) + np.abs(reversals), 4.0 * s_up)
        return cls(
            reversals=tuple(map(float, reversals)),
            reversal=float(np.abs(reversals).max()),
            mean_reversal=float(reversals.mean()),
            repeatability_up=float(4.0 * s_up.max()),
            repeatability_down=float(4.0 * s_down.max()),
            repeatability=float(np.maximum(of_both, 4.0 * s_down).max()),
            mean_deviation=float(np.ptp(means)),
            systematic_deviation=float(np.ptp(both)),
            accuracy=float((both + two_s).max() - (both - two_s).min()),
        )

    def as_dict(self) -> dict[str, object]:
        """Plain values by name, m or rad."""
        return asdict(self)
