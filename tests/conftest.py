"""Let every test file import the shared strategies, whatever folder it lies in."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
