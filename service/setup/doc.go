// Package setup computes a fork's spring setup and shows what it stands on: which spring with
// which preload, what sag that gives and how sure that is, the bump stop, the damper's clicks.
//
// The model, in mm, N, kg, N/mm; forces per fork. The rider stands on level pedals on level
// ground. With shares phi of rider and bicycle on the front wheel, head angle theta from the
// horizontal and an unsprung mass that rests on the ground,
//
//	F = g (phi_r m_r + phi_b m_b - m_u) sin(theta)
//
// acts along the fork. phi_r is (c + h r)/w from frame figures (chainstay c, grip r ahead of
// the bottom bracket, wheelbase w, share h of the weight on the hands), else assumed. The air
// in the lower legs carries part of F: a force at the target sag is taken off the load, a known
// volume is part of the curve. The sag x solves k (x + p) + F_stop(x) + F_legs(x) = F, gas at
// the exponent 1; preload p is free length less cavity.
//
// The band of a sag comes from the bands of the shares and of the leg air, taken at their worst
// together, and from friction: x runs from the sag of the least load less friction to that of
// the greatest plus friction.
//
// The rule of choice. Rejected: a spring that rattles in its cavity, does not go between tube
// and shaft, or uses up the static sum of its least gaps within the travel; a setting of the
// bump stop past a limit of its part. Good enough: the band holds the target, or the sag lies
// within the tolerance. Of what is good enough the least preload wins, then the sag nearest to
// the target, then the way to err: the softer spring, for jump and assisted bicycles the
// stiffer. Of the settings of the bump stop: no harsh step at contact, then the end force
// nearest to the share of the coil's that suits the discipline, then the lower pressure. Rates
// that are not sold are never named as a choice.
//
// Left out: pedaling, slope and braking (what-ifs of package spring, never a basis for sag),
// damping at speed, heat in the air, hysteresis of rubber, flex, wear, and the arms of the
// rider. An assumed unsprung mass or head angle is shown with its range and widens no band.
package setup
