// Package stick is the mechanics of a finished or planned bow stick, and the choice of
// wood for it: from the readings on a model to its mass, balance and stiffness, from
// blanks whose density and modulus are known to the sticks that they would make.
//
// A stick is a row of stations from the butt to where the head begins. Between two
// stations its height and width run straight, and the shape is that of the one
// nearer to the butt. What is not shaft (head, mortise, plugs) is a lump: a mass at
// a place, without stiffness.
//
// Sag and stiffness are those of the straight stick on two supports, by the slender-beam
// formula: shear adds 12 EI/(kappa G A span^2), about 0.1 % for a bow, and is left
// out. Camber changes the sag on two supports by less than (rise/span)^2, and is left out
// too; it enters where hair pulls the ends together (see [Model.StringUp]).
//
// Inside, everything is in SI units. Fields whose name ends in a unit hold that unit.
package stick
