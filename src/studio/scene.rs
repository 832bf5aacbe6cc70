//! The scene: a shaded head and shoulders before a backdrop, lit by any number of lights.

/// A light: where it comes from and how strong it is at power 0 stops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Direction towards the light: right, up, towards the camera.
    pub from: [f32; 3],
    /// Light on a surface facing it at full power, in units of the sensor's mid-grey at f/14, ISO 100.
    pub strength: f32,
    /// Share that also reaches the backdrop.
    pub on_backdrop: f32,
    /// How far it wraps round edges: 0 for a hard light, 1 for a very large one.
    pub softness: f32,
}

/// How the sitter sits in one frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pose {
    /// Shift in fractions of the frame.
    pub right: f32,
    pub up: f32,
    /// Turn of the head in degrees.
    pub turn: f32,
    /// How much larger the sitter is than in the first pose, in stops of size: 0.02 is 1.4 %.
    pub nearer: f32,
}

#[derive(Debug, Clone, Copy)]
struct Surface {
    /// Reflectance of red, green and blue.
    albedo: [f32; 3],
    normal: [f32; 3],
    is_backdrop: bool,
}

/// The sitter in one pose, at one size.
#[derive(Debug, Clone)]
pub struct Scene {
    pub width: u32,
    pub height: u32,
    pub pose: Pose,
}

const SKIN: [f32; 3] = [0.46, 0.30, 0.22];
const HAIR: [f32; 3] = [0.07, 0.05, 0.045];
const CLOTH: [f32; 3] = [0.10, 0.12, 0.16];
const BACKDROP: [f32; 3] = [0.22, 0.22, 0.22];
const LIPS: [f32; 3] = [0.36, 0.14, 0.13];
const EYES: [f32; 3] = [0.06, 0.05, 0.05];
const WHITES: [f32; 3] = [0.42, 0.40, 0.39];

impl Scene {
    /// Linear light of every pixel under lights at their powers (stops from full).
    pub fn render(&self, lights: &[(Light, f64)]) -> Vec<[f32; 3]> {
        let lit: Vec<(Light, f32)> = lights.iter().map(|(light, power)| (*light, power.exp2() as f32)).collect();
        let mut pixels = Vec::with_capacity((self.width * self.height) as usize);
        for y in 0..self.height {
            for x in 0..self.width {
                let surface = self.surface(x, y);
                let mut light = 0.0;
                for (source, power) in &lit {
                    light += source.strength * power * reach(source, &surface);
                }
                pixels.push(surface.albedo.map(|a| a * light));
            }
        }
        pixels
    }

    /// What stands at a pixel: head, hair, shoulders or backdrop.
    fn surface(&self, x: u32, y: u32) -> Surface {
        let size = self.height as f32;
        let nearer = self.pose.nearer.exp2();
        let u = ((x as f32 - self.width as f32 / 2.0) / size - self.pose.right) / nearer;
        let v = ((self.height as f32 / 2.0 - y as f32) / size - self.pose.up) / nearer;
        if let Some(surface) = self.head(u, v - 0.08) {
            return surface;
        }
        if let Some(normal) = ellipsoid(u, v + 0.52, [0.46, 0.30, 0.22]) {
            let folds = 1.0 + 0.25 * (u * 90.0 + 4.0 * (v * 30.0).sin()).sin() + 0.15 * (v * 110.0 + u * 40.0).sin();
            return Surface { albedo: CLOTH.map(|a| a * folds), normal, is_backdrop: false };
        }
        let mottle = 1.0 + 0.08 * ((u * 17.0).sin() * (v * 13.0).cos());
        Surface { albedo: BACKDROP.map(|a| a * mottle), normal: [0.0, 0.0, 1.0], is_backdrop: true }
    }

    fn head(&self, u: f32, v: f32) -> Option<Surface> {
        let normal = ellipsoid(u, v, [0.19, 0.26, 0.22])?;
        let turn = self.pose.turn.to_radians();
        // Features sit on the head and turn with it.
        let across = normal[0] * turn.cos() - normal[2] * turn.sin();
        let near = |at: (f32, f32), size: (f32, f32)| {
            ((across - at.0) / size.0).powi(2) + ((normal[1] - at.1) / size.1).powi(2) < 1.0
        };
        let albedo = if normal[1] > 0.55 || (normal[1] > 0.0 && across.abs() > 0.86) {
            let strands = 1.0 + 0.4 * (across * 48.0 + 3.0 * (normal[1] * 9.0).sin()).sin();
            HAIR.map(|a| a * strands)
        } else if near((-0.32, 0.27), (0.17, 0.035)) || near((0.32, 0.27), (0.17, 0.035)) {
            HAIR
        } else if near((-0.32, 0.12), (0.035, 0.05)) || near((0.32, 0.12), (0.035, 0.05)) {
            EYES
        } else if near((0.0, -0.52), (0.22, 0.06)) {
            LIPS
        } else if near((-0.32, 0.12), (0.11, 0.05)) || near((0.32, 0.12), (0.11, 0.05)) {
            WHITES
        } else {
            let freckle = 1.0 + 0.05 * ((across * 41.0).sin() * (normal[1] * 37.0).sin());
            SKIN.map(|a| a * freckle)
        };
        // A nose: a bump that bends the normal.
        let nose = (-(across / 0.10).powi(2) - ((normal[1] + 0.15) / 0.22).powi(2)).exp() * 0.6;
        let bent = [normal[0] + nose * (across / 0.10).clamp(-1.0, 1.0), normal[1] - nose * 0.3, normal[2]];
        Some(Surface { albedo, normal: unit(bent), is_backdrop: false })
    }
}

/// Share of a light that a surface throws back (Lambert), wrapped by its softness.
fn reach(light: &Light, surface: &Surface) -> f32 {
    if surface.is_backdrop {
        return light.on_backdrop;
    }
    let from = unit(light.from);
    let cosine: f32 = from.iter().zip(&surface.normal).map(|(a, b)| a * b).sum();
    ((cosine + light.softness) / (1.0 + light.softness)).max(0.0)
}

/// The normal of an ellipsoid seen from the front, or nothing beside it.
fn ellipsoid(u: f32, v: f32, radii: [f32; 3]) -> Option<[f32; 3]> {
    let (x, y) = (u / radii[0], v / radii[1]);
    let rest = 1.0 - x * x - y * y;
    (rest > 0.0).then(|| unit([x / radii[0], y / radii[1], rest.sqrt() / radii[2]]))
}

fn unit(v: [f32; 3]) -> [f32; 3] {
    let length = v.iter().map(|c| c * c).sum::<f32>().sqrt().max(1e-6);
    v.map(|c| c / length)
}
