"""Files from outside become records: recorders' files, intake tables, cycles."""
