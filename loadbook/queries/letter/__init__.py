"""An answer as a letter: its structure, what may be named, its sentences, its picture's figures."""
