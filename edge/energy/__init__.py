"""Living on a battery: load shedding, and the formulas behind the energy plan. Pure."""
