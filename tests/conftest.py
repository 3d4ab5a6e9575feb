"""Tests in the sub-folders find `solids` because pytest puts the folder of this file on the path."""
