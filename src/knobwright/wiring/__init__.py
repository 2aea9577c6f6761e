"""Joins the engine to the outside: the only place that knows both."""
