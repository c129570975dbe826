"""The journal: one SQLite file that holds everything that must survive."""
