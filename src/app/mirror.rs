//! A copy of what lies in the painter's textures, for a painter that is made anew.
//!
//! Letters and pictures are handed to the painter once, as changes. When its device is lost they are
//! lost with it, and nobody would hand them over again: the window would come back without a letter.

use std::collections::HashMap;
use std::sync::Arc;

use egui::epaint::{ImageData, ImageDelta, textures::TexturesDelta};
use egui::{ColorImage, TextureId, TextureOptions};

/// The pictures in the painter's textures, as they were last handed over
#[derive(Default)]
pub(super) struct Mirror {
    images: HashMap<TextureId, (Arc<ColorImage>, TextureOptions)>,
}

impl Mirror {
    /// Takes note of changes that the painter is handed
    pub(super) fn note(&mut self, delta: &TexturesDelta) {
        for (id, change) in delta.set.iter().flat_map(|(id, all)| all.iter().map(move |change| (id, change)))
        {
            let ImageData::Color(image) = &change.image;
            match (change.pos, self.images.get_mut(id)) {
                (Some(at), Some((whole, options))) => {
                    lay(Arc::make_mut(whole), image, at);
                    *options = change.options;
                }
                // A part of what was never seen cannot be kept; the painter refuses it as well.
                (Some(_), None) => {}
                (None, _) => {
                    self.images.insert(*id, (image.clone(), change.options));
                }
            }
        }
        for id in &delta.free {
            self.images.remove(id);
        }
    }

    /// Everything, for a painter that has nothing yet
    pub(super) fn whole(&self) -> TexturesDelta {
        let mut whole = TexturesDelta::default();
        for (id, (image, options)) in &self.images {
            let image = ImageData::Color(image.clone());
            whole.push(*id, ImageDelta { image, options: *options, pos: None });
        }
        whole
    }
}

/// Lays a part into a picture; what would lie outside is left out
fn lay(whole: &mut ColorImage, part: &ColorImage, [left, top]: [usize; 2]) {
    let [width, height] = whole.size;
    let wide = part.size[0].min(width.saturating_sub(left));
    for y in 0..part.size[1].min(height.saturating_sub(top)) {
        let from = y * part.size[0];
        let to = (top + y) * width + left;
        whole.pixels[to..to + wide].copy_from_slice(&part.pixels[from..from + wide]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::Color32;

    fn change(mirror: &mut Mirror, id: u64, size: [usize; 2], colour: Color32, pos: Option<[usize; 2]>) {
        let image = ImageData::Color(Arc::new(ColorImage::filled(size, colour)));
        let mut delta = TexturesDelta::default();
        delta.push(TextureId::Managed(id), ImageDelta { image, options: TextureOptions::LINEAR, pos });
        mirror.note(&delta);
        delta.clear();
    }

    #[test]
    fn what_was_handed_over_in_parts_is_whole_again() {
        let mut mirror = Mirror::default();
        change(&mut mirror, 0, [4, 3], Color32::BLACK, None);
        change(&mut mirror, 0, [2, 2], Color32::WHITE, Some([3, 1]));
        change(&mut mirror, 1, [1, 1], Color32::RED, None);
        change(&mut mirror, 2, [1, 1], Color32::RED, Some([0, 0]));
        let mut freed = TexturesDelta::default();
        freed.free(TextureId::Managed(1));
        mirror.note(&freed);
        freed.clear();
        let mut whole = mirror.whole();
        assert_eq!(whole.set.len(), 1);
        let [part] = &whole.set[&TextureId::Managed(0)][..] else { panic!("it is one picture") };
        let ImageData::Color(image) = &part.image;
        let white: Vec<usize> = (0..12).filter(|i| image.pixels[*i] == Color32::WHITE).collect();
        assert_eq!(white, [7, 11], "the part that lies inside, and no more");
        whole.clear();
    }
}
