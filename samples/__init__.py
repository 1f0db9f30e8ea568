"""Rendered footage with exact truth: invented scenes seen through invented lenses.

Independent of `autocal.geometry.lens`: rays are cast through the lens table itself, so that the truth does
not depend on what is tested against it. Conventions of frames and pixels: `autocal.geometry`.
"""
