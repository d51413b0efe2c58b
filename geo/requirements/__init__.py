"""Surfaces -> Requirements: how much of each amendment every place asks for, with its doubt."""
