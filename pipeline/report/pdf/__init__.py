"""``report.pdf`` and ``signed.pdf``: the sheet on paper.

``sheet_pdf`` puts the sections together. ``verdict``, ``egg_grid``, ``history``, ``sweep_plot``, ``body_map`` and
``recordings`` lay out one section each, ``table`` and ``range_bar`` a part of several. ``block`` is a part of a page
that is laid out and measured before it is drawn, ``page_flow`` puts blocks on pages, ``structure`` tags them for
screen readers, and ``text_style`` has the fonts and breaks text into lines.
"""
