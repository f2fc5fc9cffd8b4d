"""Croissant metadata, ``croissant.json``, by which programs find and read a data set.

Format: Croissant 1.0, http://mlcommons.org/croissant/1.0 (Akhtar et al., arXiv 2403.19546). The context is the one that
the format prescribes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.export.description import LICENCE_URL, DataSetDescription

__all__ = ["Column", "FileGroup", "Layout", "croissant_document"]

_VERSION = "http://mlcommons.org/croissant/1.0"
# Terms of Croissant beyond those of schema.org, as in its specification.
_CONTEXT: dict[str, Any] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileProperty": "cr:fileProperty",
    "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}


@dataclass(frozen=True)
class FileGroup:
    """Files of one kind. name : its identifier;  pattern : of the paths;  media_type : as in HTTP"""

    name: str
    about: str
    pattern: str
    media_type: str


@dataclass(frozen=True)
class Column:
    """One field of a table. extract : where a value is, as in Croissant;  data_type : such as "sc:Integer" """

    name: str
    about: str
    data_type: str
    extract: dict[str, str]


@dataclass(frozen=True)
class Layout:
    """The files of a format. text : what a reader of the data card must know
    groups : the pictures, named "pictures", and others
    table_file : path of the file that `tables` read, "" without one;  tables : columns by name of the table
    """

    text: str
    groups: Sequence[FileGroup]
    table_file: str = ""
    tables: tuple[tuple[str, Sequence[Column]], ...] = ()


def croissant_document(
    described: DataSetDescription, layout: Layout, folder: Path, published: dt.date
) -> dict[str, Any]:
    """The metadata of the files in ``folder``, in types of JSON.

    published : the day of the export
    """
    document: dict[str, Any] = {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": _VERSION,
        "name": described.name,
        "description": described.summary,
        "version": described.version,
        "datePublished": published.isoformat(),
        "creator": {"@type": "sc:Organization", "name": "Clutchlight"},
        "keywords": ["ultrasound", "object detection", "object tracking", "counting"],
        "distribution": [*_files(layout, folder)],
        "recordSet": [*_record_sets(layout)],
    }
    if described.is_simulated:
        document["license"] = LICENCE_URL
    if described.definition:
        document["alternateName"] = described.title
        document["citeAs"] = f"Clutchlight, frozen benchmark {described.name}"
    return document


def _files(layout: Layout, folder: Path) -> Iterator[dict[str, Any]]:
    if layout.table_file:
        content = (folder / layout.table_file).read_bytes()
        yield {
            "@type": "cr:FileObject",
            "@id": layout.table_file,
            "name": layout.table_file,
            "description": "Pictures and outlines.",
            "contentUrl": layout.table_file,
            "contentSize": f"{len(content)} B",
            "encodingFormat": "application/json",
            "sha256": hashlib.sha256(content).hexdigest(),
        }
    for group in layout.groups:
        yield {
            "@type": "cr:FileSet",
            "@id": group.name,
            "name": group.name,
            "description": group.about,
            "includes": group.pattern,
            "encodingFormat": group.media_type,
        }


def _record_sets(layout: Layout) -> Iterator[dict[str, Any]]:
    pictures = {"fileSet": {"@id": "pictures"}}
    columns = (
        Column("name", "The file's name.", "sc:Text", {"fileProperty": "filename"}),
        Column("picture", "The frame, grey.", "sc:ImageObject", {"fileProperty": "content"}),
    )
    yield _record_set("frames", "One picture each.", columns, pictures)
    for name, table in layout.tables:
        yield _record_set(name, f"The table {name}.", table, {"fileObject": {"@id": layout.table_file}})


def _record_set(name: str, about: str, columns: Sequence[Column], source: dict[str, Any]) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": name,
        "name": name,
        "description": about,
        "field": [
            {
                "@type": "cr:Field",
                "@id": f"{name}/{column.name}",
                "name": column.name,
                "description": column.about,
                "dataType": column.data_type,
                "source": {**source, "extract": column.extract},
            }
            for column in columns
        ],
    }
