"""Scenes whose lengths, areas, gaps, tilt, blur and noise are known, from a seed."""
