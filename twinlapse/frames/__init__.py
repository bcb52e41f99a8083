"""The job folder: sequences of frames, the journal, pairing by shot."""
