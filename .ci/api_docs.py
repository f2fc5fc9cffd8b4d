"""Write API pages of all packages to build/api: python .ci/api_docs.py

Install pdoc first: pip install --editable '.[docs]'
"""

from __future__ import annotations

import pkgutil
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def main() -> int:
    sys.path.insert(0, str(ROOT))
    import pdoc

    import pipeline

    for name in pipeline.__all__:
        # pdoc shows only names that exist already, and those of the public API are imported on first use.
        setattr(pipeline, name, getattr(pipeline, name))
    # pipeline.__all__ lists no packages, so they are named here.
    rooms = [
        f"pipeline.{module.name}" for module in pkgutil.iter_modules(pipeline.__path__) if module.name != "__main__"
    ]
    pdoc.render.configure(docformat="numpy")
    pages = ["pipeline", *rooms, "synthetic", "models", "configs", "!pipeline.bench.other_trackers"]
    pdoc.pdoc(*pages, output_directory=ROOT / "build" / "api")
    sys.stdout.write(f"Open {ROOT / 'build' / 'api' / 'index.html'}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
