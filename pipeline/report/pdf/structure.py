"""Tags of a PDF: which part of the page is a heading, a paragraph, a table or a figure, and what a figure shows.

A screen reader reads the tagged parts in the order in which they are drawn. Rules and boxes are marked as artifacts,
which it leaves out (ISO 32000-1, 14.7 and 14.8; ISO 14289-1, PDF/UA). reportlab writes no tags, so they are written
here with its objects.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from xml.sax.saxutils import escape

__all__ = ["Pen", "StructureElement"]

# Elements that hold text themselves; others, such as tables, hold elements.
_TEXT_ROLES = frozenset({"P", "H1", "H2", "TH", "TD", "Link", "Figure", "Lbl"})


@dataclass
class StructureElement:
    """role : a standard structure type;  alternative_text : of a figure;  children : elements, or page and mark"""

    role: str
    alternative_text: str = ""
    children: list[StructureElement | tuple[int, int] | Any] = field(default_factory=list)


class Pen:
    """A reportlab canvas that knows which element of the document it draws."""

    def __init__(self, canvas: Any) -> None:
        self.canvas = canvas
        self.root = StructureElement("Document")
        self._open = [self.root]
        self._is_marked = False
        self._page = 0
        self._owners: list[list[StructureElement]] = [[]]  # of each mark, by page
        self._links: list[tuple[Any, StructureElement]] = []

    @contextmanager
    def element(self, role: str, alternative_text: str = "") -> Iterator[None]:
        """What is drawn inside belongs to one element. Inside a figure there are no elements."""
        if self._is_marked:
            yield
            return
        if role == "Artifact":  # what stands on every page
            with self.artifact():
                yield
            return
        element = StructureElement(role, alternative_text)
        self._open[-1].children.append(element)
        self._open.append(element)
        try:
            if role == "Figure":
                with self.content():
                    yield
            else:
                yield
        finally:
            self._open.pop()

    @contextmanager
    def content(self) -> Iterator[None]:
        """Text, or a whole figure, of the current element; of a paragraph if that cannot hold text."""
        if self._is_marked:
            yield
        elif self._open[-1].role not in _TEXT_ROLES:
            with self.element("P"), self.content():
                yield
        else:
            element, owners = self._open[-1], self._owners[self._page]
            element.children.append((self._page, len(owners)))
            with self._marked(f"/{element.role} <</MCID {len(owners)}>> BDC"):
                owners.append(element)
                yield

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Lines and boxes that say nothing by themselves."""
        if self._is_marked:
            yield
            return
        with self._marked("/Artifact BMC"):
            yield

    @contextmanager
    def _marked(self, begin: str) -> Iterator[None]:
        self.canvas._code.append(begin)
        self._is_marked = True
        try:
            yield
        finally:
            self._is_marked = False
            self.canvas._code.append("EMC")

    @contextmanager
    def link(self, address: str, size: tuple[float, float], at: tuple[float, float], text: str) -> Iterator[None]:
        """What is drawn inside leads to an address. at : lower left corner, size : width and height, points"""
        from reportlab.pdfbase import pdfdoc

        if self._is_marked:
            yield
            return
        with self.element("Link"):
            yield
            left, bottom = self.canvas.absolutePosition(*at)
            action = {"S": pdfdoc.PDFName("URI"), "URI": pdfdoc.PDFString(address)}
            annotation = pdfdoc.PDFDictionary(
                {
                    "Type": pdfdoc.PDFName("Annot"),
                    "Subtype": pdfdoc.PDFName("Link"),
                    "Rect": pdfdoc.PDFArray([left, bottom, left + size[0], bottom + size[1]]),
                    "Border": pdfdoc.PDFArray([0, 0, 0]),
                    "F": 4,  # printed; PDF/UA wants it to be neither hidden nor invisible
                    "Contents": pdfdoc.PDFString(text),
                    "A": pdfdoc.PDFDictionary(action),
                }
            )
            reference = self.canvas._doc.Reference(annotation)
            self.canvas._annotationrefs.append(reference)
            self._open[-1].children.append(reference)
            self._links.append((annotation, self._open[-1]))

    def next_page(self) -> None:
        """End the page. What follows is drawn on the next one."""
        self.canvas.showPage()
        self._page += 1
        self._owners.append([])

    def write_structure(self, *, title: str, author: str, subject: str, language: str) -> None:
        """Add the tags and the description of the document. Call it after the last page."""
        from reportlab.pdfbase import pdfdoc

        document, catalog = self.canvas._doc, self.canvas._doc.Catalog
        pages = document.Pages.pages
        for number, page in enumerate(pages):
            page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
            page.StructParents, page.Tabs = number, pdfdoc.PDFName("S")
        references: dict[int, Any] = {}
        root = pdfdoc.PDFDictionary({"Type": pdfdoc.PDFName("StructTreeRoot")})
        root_reference = document.Reference(root)
        page_references = [document.Reference(page) for page in pages]
        root.dict["K"] = _write(self.root, root_reference, document, page_references, references)
        numbers: list[Any] = []
        for number in range(len(pages)):
            owners = [references[id(owner)] for owner in self._owners[number]]
            numbers += [number, document.Reference(pdfdoc.PDFArray(owners))]
        for number, (annotation, owner) in enumerate(self._links, len(pages)):
            annotation.dict["StructParent"] = number
            numbers += [number, references[id(owner)]]
        parents = pdfdoc.PDFDictionary({"Nums": pdfdoc.PDFArray(numbers)})
        root.dict["ParentTree"] = document.Reference(parents)
        root.dict["ParentTreeNextKey"] = len(pages) + len(self._links)
        catalog.StructTreeRoot = root
        catalog.MarkInfo = pdfdoc.PDFDictionary({"Marked": "true"})
        catalog.Metadata = pdfdoc.XMP(creator=lambda _: _xmp(title, author, subject, language))
        self.canvas.setViewerPreference("DisplayDocTitle", "true")


def _write(element: StructureElement, parent: Any, document: Any, pages: list[Any], references: dict[int, Any]) -> Any:
    """The reference of an element, written with all its descendants."""
    from reportlab.pdfbase import pdfdoc

    written = pdfdoc.PDFDictionary(
        {"Type": pdfdoc.PDFName("StructElem"), "S": pdfdoc.PDFName(element.role), "P": parent}
    )
    reference = references[id(element)] = document.Reference(written)
    if element.alternative_text:
        written.dict["Alt"] = pdfdoc.PDFString(_encodable(element.alternative_text))
    if element.role == "TH":
        scope = {"O": pdfdoc.PDFName("Table"), "Scope": pdfdoc.PDFName("Column")}
        written.dict["A"] = pdfdoc.PDFDictionary(scope)
    kids: list[Any] = []
    for child in element.children:
        if isinstance(child, StructureElement):
            kids.append(_write(child, reference, document, pages, references))
        elif isinstance(child, tuple):
            page, mark = child
            kids.append(pdfdoc.PDFDictionary({"Type": pdfdoc.PDFName("MCR"), "Pg": pages[page], "MCID": mark}))
        else:  # an annotation
            kids.append(pdfdoc.PDFDictionary({"Type": pdfdoc.PDFName("OBJR"), "Obj": child}))
    written.dict["K"] = kids[0] if len(kids) == 1 else pdfdoc.PDFArray(kids)
    return reference


def _xmp(title: str, author: str, subject: str, language: str) -> bytes:
    """The description of the document as XMP, which says that it is meant to be PDF/UA-1 (ISO 14289-1, clause 5)."""
    title, author, subject = (escape(_encodable(text)) for text in (title, author, subject))
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        'xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">'
        f'<pdfuaid:part>1</pdfuaid:part><dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt>'
        f"</dc:title><dc:creator><rdf:Seq><rdf:li>{author}</rdf:li></rdf:Seq></dc:creator>"
        f'<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{subject}</rdf:li></rdf:Alt></dc:description>'
        f"<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>"
        "</rdf:Description></rdf:RDF></x:xmpmeta>\n"
        '<?xpacket end="r"?>'
    ).encode()


def _encodable(text: str) -> str:
    """A file name that is not valid Unicode has letters that no document can hold; nor can XML hold control letters."""
    shown = text.encode("utf-8", "backslashreplace").decode()
    return "".join(letter if letter.isprintable() else " " for letter in shown)
