"""Array types used all over the package.

Coordinates, everywhere: x to the right, y down, continuous. The outer corner of the first
pixel is (0, 0) and its centre (0.5, 0.5); millimetres are pixels divided by px/mm, with the
same origin at the sheet's top left.
"""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

U8: TypeAlias = NDArray[np.uint8]
U16: TypeAlias = NDArray[np.uint16]
I32: TypeAlias = NDArray[np.int32]
I64: TypeAlias = NDArray[np.int64]
F32: TypeAlias = NDArray[np.float32]
F64: TypeAlias = NDArray[np.float64]
Bool: TypeAlias = NDArray[np.bool_]
