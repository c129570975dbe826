"""Proof that nothing is lost: real processes and sockets, real kills, and a ledger of each run."""
