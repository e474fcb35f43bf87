"""The trace: readings, frequencies and verdicts of a time span in HDF5.

A folder holds one record: live segments that are being written, sealed segments, and one
merged file a day. Nothing acknowledged is lost when the process is killed, and every file
opens at every instant with any HDF5 tool. h5py is loaded only here, and only when needed.
"""
