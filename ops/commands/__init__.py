"""The sub-commands of ``holdfast``, a module for each subject."""
