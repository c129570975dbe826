"""The computer the daemon runs on: its service manager, its logs, its signals."""
