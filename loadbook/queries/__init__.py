"""One module a question over a source (a book or a group): it reads what it needs and gives a result object.

For command line, pages and Python.
"""
