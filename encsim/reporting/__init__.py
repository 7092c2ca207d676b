"""Results as text for people, and as one page for those who do not compute.

Modules named `..._text` make what commands print; `page` and what begins with it make the page from `templates/`.
Computes nothing.
May import every folder before it but `kernels`.
"""
