"""A simulated station: world, devices, links and broker, for the bench and the tests."""
