// Single elements' styles, handed over as data because the app's pages may hold no style of their own.
for (const styled of document.querySelectorAll("[data-style]")) styled.style.cssText = styled.dataset.style;
