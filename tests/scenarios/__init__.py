"""Whole scenarios, played through more than one part."""
