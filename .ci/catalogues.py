"""Bring the catalogues of the pages' sentences up to date with the sources.

python .ci/catalogues.py   # writes pages.pot, and adds what is new to each language, to be translated there
"""

from __future__ import annotations

import sys
from pathlib import Path

from pipeline.language.catalogue import languages, read_catalogue
from pipeline.language.extraction import extracted_catalogue, written

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "pipeline" / "language" / "catalogues"


def main() -> None:
    template = extracted_catalogue(ROOT)
    (FOLDER / "pages.pot").write_bytes(written(template))
    for language in languages()[1:]:
        catalogue = read_catalogue(language)
        catalogue.update(template, no_fuzzy_matching=True)
        (FOLDER / f"{language}.po").write_bytes(written(catalogue))
        missing = sum(1 for message in catalogue if message.id and not message.string)
        sys.stdout.write(f"{language}: {len(catalogue)} sentences, {missing} not translated\n")


if __name__ == "__main__":
    main()
