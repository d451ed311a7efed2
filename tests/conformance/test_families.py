"""Every family of drivers through the one suite, against simulated and other people's instruments.

``pytest --bench FILE`` runs it on a real bench as well.
"""

from __future__ import annotations

import pytest
from autocell_drivers.conformance.suite import *  # noqa: F403

pytestmark = pytest.mark.thorough
