//! A rectangle of numbers.

/// A rectangle of numbers, rows top to bottom, `x` fastest
#[derive(Clone, Debug, PartialEq)]
pub struct Image<T = f64> {
    width: usize,
    height: usize,
    data: Vec<T>,
}

impl<T: Copy> Image<T> {
    /// A rectangle filled with one value
    pub fn filled(width: usize, height: usize, value: T) -> Self {
        Self { width, height, data: vec![value; width * height] }
    }

    /// A rectangle of these numbers, row by row; `None` where their count is not width times height
    pub fn from_rows(width: usize, height: usize, data: Vec<T>) -> Option<Self> {
        (data.len() == width.checked_mul(height)?).then_some(Self { width, height, data })
    }

    /// A rectangle whose pixel at column `x`, row `y` is `f(x, y)`
    pub fn from_fn(width: usize, height: usize, mut f: impl FnMut(usize, usize) -> T) -> Self {
        let data = (0..width * height).map(|i| f(i % width, i / width)).collect();
        Self { width, height, data }
    }

    /// Columns
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows
    pub fn height(&self) -> usize {
        self.height
    }

    /// The pixel at column `x`, row `y`
    ///
    /// # Panics
    /// Outside the rectangle.
    pub fn at(&self, x: usize, y: usize) -> T {
        self.data[y * self.width + x]
    }

    /// Writes the pixel at column `x`, row `y`
    ///
    /// # Panics
    /// Outside the rectangle.
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        self.data[y * self.width + x] = value;
    }

    /// All pixels, row by row
    pub fn data(&self) -> &[T] {
        &self.data
    }

    /// All pixels, row by row, for writing
    pub fn data_mut(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// One row
    ///
    /// # Panics
    /// Outside the rectangle.
    pub fn row(&self, y: usize) -> &[T] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// Each pixel through `f`
    pub fn map<U: Copy>(&self, f: impl Fn(T) -> U) -> Image<U> {
        Image { width: self.width, height: self.height, data: self.data.iter().map(|v| f(*v)).collect() }
    }
}
