"""The field side: buses, the devices on them, and when each is asked."""
