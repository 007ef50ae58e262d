// The scan and the part, to turn. One surface is drawn left of a line, the other right of it.
// Reads nothing but the numbers in #turn-model; no text of a job comes near this script.

const section = document.getElementById("turn");
const canvas = document.getElementById("turn-view");
const line = document.getElementById("turn-line");
const share = document.getElementById("turn-share");
const after = section ? section.querySelector(".side.right").textContent : "part";

// From where the pictures of the page are taken too: 40° to the part's left, 18° up.
const START = { yaw: 0.7, pitch: 0.31, near: 1 };
// What lies flat, as a relief does, is known from above: 50° up, as its pictures are taken (rays.py says when).
const LYING = { ...START, pitch: 0.87 };
const LIES_BELOW = 0.8;
const STEP = Math.PI / 24;
const CLOSER = 1.15;
const COLOURS = { scan: 0xc79a6b, part: 0x9db7bd };

function bytesOf(text) {
  const plain = atob(text);
  const bytes = new Uint8Array(plain.length);
  for (let i = 0; i < plain.length; i += 1) bytes[i] = plain.charCodeAt(i);
  return bytes.buffer;
}

// The layout is that of model.py: two meshes, each a head of six numbers, corners, then triangles.
function geometries(buffer) {
  const view = new DataView(buffer);
  const found = [];
  let at = 4;
  for (let mesh = 0; mesh < 2; mesh += 1) {
    const corners = view.getUint32(at, true);
    const triangles = view.getUint32(at + 4, true);
    const low = [8, 12, 16].map((offset) => view.getFloat32(at + offset, true));
    const step = view.getFloat32(at + 20, true);
    at += 24;
    const counted = new Uint16Array(buffer, at, corners * 3);
    const positions = new Float32Array(corners * 3);
    for (let i = 0; i < positions.length; i += 1) positions[i] = low[i % 3] + step * counted[i];
    at += Math.ceil((corners * 6) / 4) * 4;
    const index = new Uint16Array(buffer, at, triangles * 3);
    at += Math.ceil((triangles * 6) / 4) * 4;
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.BufferAttribute(positions, 3));
    geometry.setIndex(new THREE.BufferAttribute(index, 1));
    geometry.computeVertexNormals();
    geometry.computeBoundingSphere();
    found.push(geometry);
  }
  return found;
}

function begin() {
  const [scan, part] = geometries(bytesOf(document.getElementById("turn-model").content.textContent));
  const renderer = new THREE.WebGLRenderer({ canvas, antialias: true });
  renderer.autoClear = false;
  renderer.setScissorTest(true);

  const scene = new THREE.Scene();
  const camera = new THREE.PerspectiveCamera(28, 1, 0.1, 10);
  const meshes = [scan, part].map((geometry, number) => {
    const color = number ? COLOURS.part : COLOURS.scan;
    const material = new THREE.MeshLambertMaterial({ color, side: THREE.DoubleSide });
    const mesh = new THREE.Mesh(geometry, material);
    scene.add(mesh);
    return mesh;
  });
  scene.add(new THREE.HemisphereLight(0xffffff, 0x857d73, 1.7));
  const lamp = new THREE.DirectionalLight(0xffffff, 2.4);
  camera.add(lamp, lamp.target);
  lamp.position.set(-0.8, 1.0, 0.6);
  lamp.target.position.set(0, 0, -1);
  scene.add(camera);

  // Stray bits of a scan may lie far off: 97 of 100 of its corners have to be in the frame, and all of the part.
  const all = part.boundingSphere.clone();
  const corner = new THREE.Vector3();
  const places = scan.getAttribute("position");
  const distances = new Float32Array(places.count);
  for (let i = 0; i < places.count; i += 1) distances[i] = corner.fromBufferAttribute(places, i).distanceTo(all.center);
  distances.sort();
  all.radius = Math.max(all.radius, distances[Math.floor(places.count * 0.97)] || 0) * 1.02;

  // The ground is that of the page, by day and by night.
  function takeGround() {
    renderer.setClearColor(new THREE.Color(getComputedStyle(canvas.parentElement).backgroundColor), 1);
    ask();
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", takeGround);

  const span = new THREE.Vector3();
  part.computeBoundingBox();
  part.boundingBox.getSize(span);
  const start = span.z < LIES_BELOW * Math.min(span.x, span.y) ? LYING : START;
  const now = { ...start };
  let due = false;

  function draw() {
    due = false;
    const { width, height } = renderer.domElement;
    if (!width || !height) return;
    const narrow = Math.min(1, width / height);
    const far = (0.88 * all.radius * now.near) / Math.sin((camera.fov * Math.PI) / 360) / narrow;
    const flat = Math.cos(now.pitch);
    camera.position.set(Math.sin(now.yaw) * flat, -Math.cos(now.yaw) * flat, Math.sin(now.pitch));
    camera.position.multiplyScalar(far).add(all.center);
    camera.up.set(0, 0, 1);
    camera.lookAt(all.center);
    camera.near = Math.max(far - 3 * all.radius, far / 100);
    camera.far = far + 3 * all.radius;
    camera.aspect = width / height;
    camera.updateProjectionMatrix();
    const cut = Math.round((width * Number(share.value)) / 100);
    renderer.setScissor(0, 0, width, height);
    renderer.clear();
    [[0, cut], [cut, width]].forEach(([from, to], number) => {
      if (to <= from) return;
      meshes.forEach((mesh, which) => { mesh.visible = which === number; });
      renderer.setScissor(from, 0, to - from, height);
      renderer.render(scene, camera);
    });
    line.style.left = `${(100 * cut) / width}%`;
    marks.forEach(place);
    share.setAttribute("aria-valuetext", `scan ${share.value} %, ${after} ${100 - share.value} % of the picture`);
  }

  // Places that the page asks about: boxes to tick whose data-mark is "x y z" on the part, in mm. Each has a label
  // in the view that ticks it where it is; one that faces away is faint, and a box that is chosen turns to its place.
  const corners = part.getAttribute("position");
  const outward = part.getAttribute("normal");
  const marks = [...document.querySelectorAll("input[data-mark]")].map((box) => {
    const at = new THREE.Vector3(...box.dataset.mark.split(" ", 3).map(Number));
    let nearest = 0;
    let least = Infinity;
    for (let i = 0; i < corners.count; i += 1) {
      const away = corner.fromBufferAttribute(corners, i).distanceToSquared(at);
      if (away < least) { least = away; nearest = i; }
    }
    const facing = new THREE.Vector3().fromBufferAttribute(outward, nearest);
    const label = document.createElement("label");
    label.className = "mark";
    label.htmlFor = box.id;
    label.textContent = box.value;
    canvas.parentElement.append(label);
    const show = () => label.classList.toggle("ticked", box.checked);
    box.addEventListener("change", show);
    box.addEventListener("focus", () => {
      now.yaw = Math.atan2(facing.x, -facing.y);
      now.pitch = Math.min(1.5, Math.max(-1.5, Math.asin(Math.min(1, Math.max(-1, facing.z)))));
      ask();
    });
    show();
    return { at, facing, label };
  });

  function place({ at, facing, label }) {
    corner.copy(at).project(camera);
    label.style.left = `${50 + 50 * corner.x}%`;
    label.style.top = `${50 - 50 * corner.y}%`;
    label.classList.toggle("behind", corner.copy(camera.position).sub(at).dot(facing) < 0);
  }

  function ask() {
    if (!due) { due = true; requestAnimationFrame(draw); }
  }

  function turn(yaw, pitch) {
    now.yaw += yaw;
    now.pitch = Math.min(1.5, Math.max(-1.5, now.pitch + pitch));
    ask();
  }

  function come(factor) {
    now.near = Math.min(4, Math.max(0.15, now.near / factor));
    ask();
  }

  const keys = {
    ArrowLeft: () => turn(STEP, 0), ArrowRight: () => turn(-STEP, 0),
    ArrowUp: () => turn(0, STEP), ArrowDown: () => turn(0, -STEP),
    "+": () => come(CLOSER), "=": () => come(CLOSER), "-": () => come(1 / CLOSER),
    Home: () => { Object.assign(now, start); ask(); },
  };
  canvas.addEventListener("keydown", (event) => {
    const does = Object.hasOwn(keys, event.key) && !event.ctrlKey && !event.metaKey && !event.altKey;
    if (does) { event.preventDefault(); keys[event.key](); }
  });
  for (const [id, key] of [["turn-closer", "+"], ["turn-back", "-"], ["turn-start", "Home"]]) {
    document.getElementById(id).addEventListener("click", keys[key]);
  }

  const fingers = new Map();
  const apart = () => {
    const [one, other] = [...fingers.values()];
    return Math.hypot(one.x - other.x, one.y - other.y);
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  });
  canvas.addEventListener("pointermove", (event) => {
    const last = fingers.get(event.pointerId);
    if (!last) return;
    const before = fingers.size === 2 ? apart() : 0;
    const moved = { x: event.clientX - last.x, y: event.clientY - last.y };
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 2 && before > 0) come(apart() / before);
    else if (fingers.size === 1) turn((-moved.x * Math.PI) / canvas.clientWidth, (moved.y * Math.PI) / canvas.clientHeight);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    canvas.addEventListener(end, (event) => fingers.delete(event.pointerId));
  }
  // The page scrolls under the wheel unless the view was chosen first.
  canvas.addEventListener("wheel", (event) => {
    if (document.activeElement !== canvas) return;
    event.preventDefault();
    come(event.deltaY < 0 ? CLOSER : 1 / CLOSER);
  }, { passive: false });
  canvas.addEventListener("webglcontextlost", () => { section.hidden = true; });
  share.addEventListener("input", ask);

  takeGround();
  new ResizeObserver(() => {
    const dots = Math.min(window.devicePixelRatio || 1, 2);
    renderer.setSize(Math.round(canvas.clientWidth * dots), Math.round(canvas.clientHeight * dots), false);
    draw();
  }).observe(canvas);
}

// Without a graphics driver the pictures have to do.
const probe = document.createElement("canvas").getContext("webgl2");
if (section && probe) {
  section.hidden = false;
  begin();
}
