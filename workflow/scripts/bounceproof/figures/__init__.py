"""Figures for video and print: each module draws one, from finished tables only."""
