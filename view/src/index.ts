import { KerfmarkView } from "./element";

if (!customElements.get("kerfmark-view")) customElements.define("kerfmark-view", KerfmarkView);
