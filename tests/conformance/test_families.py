"""Every family of drivers through the one suite, against simulated and other people's instruments.

``pytest --bench FILE`` runs it on a real bench, which is not ``thorough`` as the rest is.
"""

from __future__ import annotations

from autocell_drivers.conformance.suite import *  # noqa: F403
