"""``python -m chainplan`` is the command ``chainplan``."""

from __future__ import annotations

from chainplan.cli import main

if __name__ == "__main__":
    main()
