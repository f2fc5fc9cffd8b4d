"""What a bench leaves behind: one page with plots and tables, and a manifest by which it can be repeated.

`page` puts sections into the template, `plots` draws them, `comparison_sections` and `accuracy_sections` fill them;
`manifest` says what was run where, `repeat` runs it again and `differences` compares the figures.
"""
