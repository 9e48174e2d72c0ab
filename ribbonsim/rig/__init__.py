"""Bind and pose."""
