"""The measuring room against sources from outside the project."""
