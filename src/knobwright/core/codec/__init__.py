"""A sheet compiled once into a plan that encodes and decodes."""
