"""One picture per module, found by the `plot = picture(...)` of its result.

A picture knows results, never physics: it asks a finished result for numbers and puts them on a sheet.
May import every folder before it but `kernels`, `formats` and `gains`.
"""
