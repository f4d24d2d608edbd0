"""The book on disk: records, amendments, chain, traces, session, sandbox for strangers' SQL, backup, verify."""
