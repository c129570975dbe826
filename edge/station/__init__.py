"""The station file: what a station is made of, and whether that can work."""
