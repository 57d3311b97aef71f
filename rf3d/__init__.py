"""rf3d: plan lighting control by radio from the geometry of the venue.

Data flows one way: venue, radio, plan, propagation, assessment, views. Importing this
package loads nothing heavy; each third-party package is imported inside its own home.
"""

__version__ = "0.1.0"
