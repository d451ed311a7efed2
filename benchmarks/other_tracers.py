"""The same chief rays through general-purpose ray tracers: adapters, each as quick as it gets.

Every adapter sets its mirrors up when it is made and traces a batch of rays when it is called; it
returns the position on the last mirror, (B, 2) in metres. None of them carries a beam, looks at a
hole, or keeps a spot.
"""

from __future__ import annotations

import numpy as np
from multipass import Rays


class Batoid:
    """batoid: C++ with OpenMP; the whole batch from surface to surface in place."""

    def __init__(self, rays: Rays, threads: int = 1) -> None:
        import batoid

        batoid._batoid.set_nthreads(threads)
        self.rays, self.batoid = rays, batoid
        self.mirrors = (
            (batoid.Sphere(rays.radius_m), batoid.CoordSys()),
            (batoid.Sphere(-rays.radius_m), batoid.CoordSys((0.0, 0.0, rays.spacing_m))),
        )

    def __call__(self, passes: int) -> np.ndarray:
        beams = self.batoid.RayVector(*self.rays.position_m.T, *self.rays.direction.T)
        for n in range(1, passes + 1):
            surface, frame = self.mirrors[n % 2]
            surface.reflect(beams, coordSys=frame)
        return np.stack([beams.x, beams.y], axis=-1)


class Optiland:
    """optiland: numpy over the batch, one surface object for each pass."""

    def __init__(self, rays: Rays, passes: int) -> None:
        from optiland.optic import Optic

        self.rays, self.optic = rays, Optic()
        self.optic.add_surface(index=0, thickness=rays.spacing_m)
        for n in range(1, passes + 1):
            towards = 1.0 if n % 2 == 0 else -1.0
            self.optic.add_surface(
                index=n,
                radius=towards * rays.radius_m,
                thickness=towards * rays.spacing_m,
                material="mirror",
                is_stop=n == 1,
            )
        self.optic.add_surface(index=passes + 1)

    def __call__(self, passes: int) -> np.ndarray:
        from optiland.rays import RealRays

        x, y, z = self.rays.position_m.T
        one = np.ones(len(x))
        beams = RealRays(
            x.copy(), y.copy(), z - self.rays.spacing_m, *self.rays.direction.T.copy(), one, one
        )
        mirrors = self.optic.surfaces.surfaces[1 : passes + 1]
        for mirror in mirrors:
            mirror.trace(beams)
        return np.stack([beams.x, beams.y], axis=-1)


class RayOptics:
    """rayoptics: one ray at a time in Python."""

    def __init__(self, rays: Rays, passes: int) -> None:
        from rayoptics.environment import OpticalModel

        model = OpticalModel()
        sequence = model.seq_model
        sequence.do_apertures = False
        sequence.gaps[0].thi = rays.spacing_m
        for n in range(1, passes + 1):
            towards = 1.0 if n % 2 == 0 else -1.0
            sequence.add_surface([towards / rays.radius_m, towards * rays.spacing_m, "REFL"])
        model.update_model()
        self.rays = rays
        self.path = list(sequence.path())[: passes + 1]

    def __call__(self, passes: int) -> np.ndarray:
        from rayoptics.raytr.raytrace import trace_raw

        found = np.empty((len(self.rays.position_m), 2))
        for index, (position, direction) in enumerate(
            zip(self.rays.position_m, self.rays.direction, strict=True)
        ):
            ray, _, _ = trace_raw(iter(self.path), position, direction, 550.0, intersect_obj=False)
            found[index] = ray[passes][0][:2]
        return found
