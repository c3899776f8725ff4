"""Deliberate bugs in the product, and the test that finds each: a check of the tests."""
