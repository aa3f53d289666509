"""Compiled inner loops (numba). They import nothing else of this package but `threads`.

C-contiguous float arrays and scalars in, arrays out. Kernels never raise and never see xarray; what they
are given has been checked once in `searcher.sea`. NaN means land or missing.
"""
