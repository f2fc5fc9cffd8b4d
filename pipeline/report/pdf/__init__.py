"""``report.pdf``: the sheet on one A4 page.

``sheet_pdf`` lays out the sections and the page. ``history``, ``egg_grid``, ``sweep_plot`` and ``body_map`` lay out one
section each. ``block`` is a part of the page that is laid out and measured before it is drawn. ``text_style`` has the
fonts and breaks text into lines.
"""
