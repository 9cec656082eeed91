"""carboyd: watches small ferments over MQTT and says when one is finished, stalled or going again.

Importing this package does nothing but define names; `monitor.daemon` builds the running process.
"""

from typing import Final

__version__: Final = "0.1.0"
