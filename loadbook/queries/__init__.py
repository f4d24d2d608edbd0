"""One module a question: it reads what it needs and gives a result object. For command line, pages and Python."""
