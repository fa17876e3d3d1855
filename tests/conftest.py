"""What every test may ask for: one seeded generator, and where the fixtures lie."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed, so that a failure can be had again."""
    return np.random.default_rng(20260921)


@pytest.fixture(scope="session")
def takes() -> Path:
    """The folder of shipped takes."""
    return ROOT / "fixtures" / "takes"
