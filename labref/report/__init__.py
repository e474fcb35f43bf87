"""The report: one self-contained page about a record, the same bytes from the same record.

`blocks` are what a section is made of, `svg` and `axes` draw figures, `page` turns sections into
HTML, the other files each make one section.
"""
