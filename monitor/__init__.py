"""carboyd: watches small ferments over MQTT and says when one is finished, stalled or going again.

Importing this package defines names and keeps linear algebra to one thread; `monitor.daemon` builds the
running process.
"""

import os
from typing import Final

__version__: Final = "0.1.0"

# matrices are small here: threads of the linear algebra library would only take the cores from their users
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
