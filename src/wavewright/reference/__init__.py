"""The reference: every topic, made from docstrings, catalogues and schemas, for a terminal and as HTML pages."""
