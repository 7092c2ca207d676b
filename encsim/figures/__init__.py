"""One picture a module; `pictures` is the door to all of them.

A picture knows results, never physics: it asks a finished result for numbers and puts them on a sheet.
May import every folder before it but `kernels`, `formats` and `gains`.
"""
