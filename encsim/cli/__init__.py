"""Arguments to objects to results: the `encsim` command.

`commands` lists what may be asked, `main` runs it; a command checks, reads, computes by a public function, delivers.
No formula stands here.
May import every folder before it but `kernels`.
"""
