"""The array type that every numerical module speaks of.

Knows: numpy.
Must not know: what the numbers mean.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["FloatArray"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
