"""Pixels only: reading, colour, sampling, marks, edges, segmenting, drawing. The only room with cv2."""
