"""A reference page for any step: its parameters, what it measures, its limits, its sources, a picture.

Parameters come from the step's own model, the rest from the docstring of its function (`words`); the
picture from a recipe in that docstring, which is run on a scan (`example`). `page` puts them together,
`writing` makes files of them.
"""
