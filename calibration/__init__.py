"""Where the hoop is: the geometry between camera, floor, shooter and ring.

Every way ends in one record (record.py) that geometry.py turns pixels into metres with::

    points = read_points(Path("marks.json"))
    calibration = calibrate_marks(points.marks, points.lens, points.court)
    save_calibration(Path("hoop.toml"), calibration)

    calibration = load_calibration(Path("hoop.toml"), image_size=frame.size)
    feet = floor_from_image(calibration, heels_px)
    to_the_right = plane_to_hoop(feet).offset_m(elbow_m)
"""
