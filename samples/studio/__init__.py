"""A small photo studio of invented bows: statics, meshes, boards, lights, camera and the exact answers.

Only ``samples/render.py`` and the tests use it; the package never does. World frame of a scene: x right, y
up, z toward the camera, mm; the marks that give the scale lie in z = 0.
"""
