-- Soundings whose pins are not evenly spaced, and how deep the pins stood.
ALTER TABLE raw_soundings ADD COLUMN potential_spacing_m DOUBLE;
ALTER TABLE raw_soundings ADD COLUMN pin_depth_m DOUBLE;
