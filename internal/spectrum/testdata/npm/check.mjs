// Reads {"files": [JCAMP-DX text…], "curves": [{"x": […], "y": […]}…]} from standard input and writes what the reference libraries make of them:
// jcampconverter the points of each file, ml-airpls a baseline and ml-gsd the peaks of each curve.
import { readFileSync } from 'node:fs';
import * as jcampconverter from 'jcampconverter';
import airpls from 'ml-airpls';
import { gsd } from 'ml-gsd';

const input = JSON.parse(readFileSync(0, 'utf8'));
const files = input.files.map((text) => {
  const spectrum = jcampconverter.convert(text, { keepRecordsRegExp: /^$/ }).flatten[0].spectra[0];
  return { x: Array.from(spectrum.data.x), y: Array.from(spectrum.data.y) };
});
const curves = input.curves.map(({ x, y }) => {
  const { baseline, corrected } = airpls(x, y, { lambda: 1e5, maxIterations: 100, tolerance: 1e-6 });
  const peaks = gsd({ x, y: corrected }, { minMaxRatio: 0.05, realTopDetection: true, smoothY: false, sgOptions: { windowSize: 19, polynomial: 3 } });
  return { baseline: Array.from(baseline), peaks: peaks.map((p) => p.x) };
});
process.stdout.write(JSON.stringify({ files, curves }));
