"""The energy plan: will the station live, and what would it take? Needs the extra ``plan``."""
