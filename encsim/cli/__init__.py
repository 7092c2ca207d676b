"""Arguments to objects to results: the `encsim` command.

`parser` lists the commands, `command` says what one is and runs it; each stands in the module of its family.
No formula stands here.
May import every folder before it but `kernels`.
"""
